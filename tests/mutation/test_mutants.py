"""Every deliberate bug of the tables is found by the test that is named for it.

A mutant that survives is a hole in the tests; one that breaks the import, or a test
in any other way than by an assertion of its own, says nothing and counts as failed.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from mutation.table import BY_NAME, FAMILIES
from support.mutant import NAMED_BY, Mutant, mutated

ROOT = Path(__file__).parents[2]
# Loading only what the named tests need halves the time of a run.
PYTEST = (
    *(sys.executable, "-m", "pytest", "-q", "--tb=line"),
    *("-p", "pytest_asyncio.plugin", "-p", "pytest_timeout", "-p", "no:cacheprovider"),
)
# Where the first line of a failure says that it is an assertion of the tests.
ASSERTED = re.compile(
    rf"^{re.escape(str(ROOT / 'tests'))}/\S+\.py:\d+: "
    r"(AssertionError|assert |Failed: DID NOT RAISE)",
    re.MULTILINE,
)

COUNTS = {
    "levels": 50,
    "gauge": 38,
    "readings": 38,
    "dwell": 16,
    "order": 13,
    "fresh": 14,
    "proof": 21,
    "retries": 22,
    "absent": 20,
    "reversed": 16,
    "hand": 10,
    "budget": 20,
    "lockouts": 24,
    "start": 14,
    "rebuild": 23,
    "lost": 31,
    "chain": 16,
    "verify": 25,
    "shell": 35,
}


def ran(*arguments: str, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*PYTEST, *arguments],
        cwd=ROOT,
        env={
            **os.environ,
            "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
            "PYTHONPATH": str(ROOT / "tests"),
            **env,
        },
        capture_output=True,
        text=True,
        timeout=200,
    )


def test_the_tables_hold_every_family():
    assert {name: len(mutants) for name, mutants in FAMILIES.items()} == COUNTS
    assert len(BY_NAME) == sum(COUNTS.values())


def test_every_mutant_fits_its_module_once():
    sources = {mutant.path: mutant.path.read_text() for mutant in BY_NAME.values()}
    for mutant in BY_NAME.values():
        assert mutated(sources[mutant.path], mutant) != sources[mutant.path]


def test_every_mutant_names_a_test_that_is_there():
    found_by = [mutant.found_by.partition("::") for mutant in BY_NAME.values()]
    texts = {file: (ROOT / "tests" / file).read_text() for file, _, _ in found_by}
    for file, _, test in found_by:
        assert f"def {test.partition('[')[0]}(" in texts[file]


@pytest.mark.parametrize("text", ["b", "a", "c"])
def test_a_mutant_that_does_not_fit_is_refused(text):
    # Not there, there twice, or nothing would change.
    mutant = Mutant("m", "core.rules", text, "c", "", "")
    with pytest.raises(ValueError, match="m: its text is"):
        mutated("a a c", mutant)


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_every_named_test_passes_without_a_mutant():
    nodes = sorted({f"tests/{mutant.found_by}" for mutant in BY_NAME.values()})
    done = ran(*nodes)
    assert done.returncode == 0, done.stdout
    assert f"{len(nodes)} passed" in done.stdout.splitlines()[-1]


@pytest.mark.slow
@pytest.mark.parametrize("name", BY_NAME)
def test_a_mutant_is_found(name):
    found_by = f"tests/{BY_NAME[name].found_by}"
    done = ran("-x", "-p", "support.mutant", found_by, **{NAMED_BY: name})
    said = done.stdout + done.stderr
    assert done.returncode == pytest.ExitCode.TESTS_FAILED, said
    assert done.stdout.splitlines()[-1].startswith("1 failed"), said
    assert ASSERTED.search(done.stdout), said
