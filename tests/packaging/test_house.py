"""The plan of the house, kept by tests instead of advice.

Looks at what is in the repository: tracked files and new ones that git does not
ignore; where there is no git, everything outside the folders that make creates.
"""

import os
import re
import stat
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

TOP = {
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "LICENSE",
    "Makefile",
    "pyproject.toml",
    "daemon",
    "backends",
    "tests",
    "config",
    "packaging",
}

# Modules past 400 lines, each with the reason why it is one thing and not two.
LONG_MODULES: dict[str, str] = {}

# Written so that this file does not match itself.
FORBIDDEN = {
    "a path of one machine": r"/(?:work|root|home/\w+)/" + r"\w",
    "a temporary path": r"/tm" + r"p/",
    "a package registry": r"py" + r"pi\.org|python" + r"hosted",
    "unfinished work": r"\b(?:TO" + r"DO|FIX" + r"ME|XX" + r"X)\b",
    "a sleep in a test": r"\btime\.sl" + r"eep\(",
}

# Where a word of that list is right, and why.
ALLOWED: dict[tuple[str, str], str] = {}


@cache
def files() -> tuple[Path, ...]:
    """Return every file of the repository, relative to its root."""
    try:
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=ROOT,
            capture_output=True,
            check=True,
            text=True,
        ).stdout.split("\0")
    except (FileNotFoundError, subprocess.CalledProcessError):
        listed = _walked()
    found = tuple(Path(name) for name in listed if name and (ROOT / name).is_file())
    assert len(found) > 20, f"this is not the repository: {found}"
    return found


def _walked() -> list[str]:
    lines = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    ignored = [line.strip("/") for line in lines] + [".git"]
    names = []
    for folder, folders, inside in os.walk(ROOT):
        folders[:] = [f for f in folders if not any(Path(f).match(i) for i in ignored)]
        names += [str((Path(folder) / name).relative_to(ROOT)) for name in inside]
    return names


def modules() -> list[Path]:
    return [path for path in files() if path.suffix == ".py"]


def text_of(path: Path) -> str:
    return (ROOT / path).read_text(encoding="utf-8")


def violations(path: str, text: str) -> list[str]:
    """Return what a file must not say, as ``file:line: what it is``."""
    found = []
    for what, pattern in FORBIDDEN.items():
        if (path, what) in ALLOWED or ("test" in what and "tests/" not in path):
            continue
        found += [
            f"{path}:{number}: {what}: {line.strip()}"
            for number, line in enumerate(text.splitlines(), start=1)
            if re.search(pattern, line)
        ]
    return found


def test_top_level_holds_what_the_plan_says():
    # PKG-INFO is what makes a folder an unpacked sdist; the repository has none.
    there = {path.parts[0] for path in files()} - {"PKG-INFO"}
    assert {name for name in there if not name.startswith(".")} == TOP


def test_dependencies_point_downward_only():
    """Every contract of pyproject.toml, the layers among them, checked by its tool."""
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "from importlinter.cli import lint_imports_command as m; m()",
        ],
        cwd=ROOT,
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join(
                map(str, (ROOT / "daemon", ROOT / "backends"))
            ),
            "NO_COLOR": "1",
        },
        capture_output=True,
        text=True,
        timeout=100,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"Contracts: ([4-9]|\d\d+) kept, 0 broken", done.stdout)


def says_what_it_is(text: str) -> bool:
    """Whether a module has a docstring.

    Asked of the compiler: making syntax trees fails now and then in CPython before
    3.11.9 when anything else makes one meanwhile (its issue 106905, from memory).
    """
    return "__doc__" in compile(text, "a module", "exec", dont_inherit=True).co_names


def test_every_module_says_what_it_is():
    texts = {str(path): text_of(path) for path in modules()}
    silent = [
        p for p, text in texts.items() if text.strip() and not says_what_it_is(text)
    ]
    assert silent == []
    assert not says_what_it_is("import os\n")


def test_no_module_grows_unseen():
    product = [path for path in modules() if path.parts[0] != "tests"]
    long = {str(path) for path in product if len(text_of(path).splitlines()) > 400}
    assert long == set(LONG_MODULES), "past 400 lines ask what two things it is"


@pytest.mark.parametrize("package", ["daemon/tidegate", "backends/tidegate_backends"])
def test_packages_are_typed_and_complete(package):
    """A folder with modules and no __init__ would be left out of imports by name."""
    assert Path(package, "py.typed") in files()
    folders = {path.parent for path in modules() if path.is_relative_to(package)}
    lacking = [str(each) for each in folders if each / "__init__.py" not in files()]
    assert lacking == []


def test_nothing_names_a_machine_or_leaves_work_behind():
    found = []
    for path in files():
        if path.suffix not in (".png", ".ico", ".db", ".gz"):
            found += violations(str(path), text_of(path))
    assert found == []


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("see /wo" + "rk/main/x", "a path of one machine"),
        ("in /ho" + "me/anna/x", "a path of one machine"),
        ("at /tm" + "p/x", "a temporary path"),
        ("from https://py" + "pi.org/simple", "a package registry"),
        ("# TO" + "DO: later", "unfinished work"),
        ("    time.sl" + "eep(1)", "a sleep in a test"),
    ],
)
def test_the_search_finds_what_it_looks_for(text, what):
    assert violations("tests/x.py", f"fine\n{text}\n") == [
        f"tests/x.py:2: {what}: {text.strip()}"
    ]


@pytest.mark.parametrize(
    "name",
    [
        "requirements.txt",
        "requirements-test.txt",
        "requirements-browser.txt",
        "requirements-bench-fleet.txt",
        "requirements-bench-blast.txt",
        "requirements-bench-pybamm.txt",
    ],
)
def test_requirements_are_pinned_hashed_and_name_no_host(name):
    text = text_of(Path("packaging", name))
    assert "://" not in text
    joined = text.replace("\\\n", " ").splitlines()
    pins = [line for line in joined if line and not line.startswith("#")]
    assert len(pins) > 10
    for pin in pins:
        assert re.match(r"[a-z0-9-]+==\S+ ", pin), pin
        assert "--hash=sha256:" in pin, pin


def test_one_version_of_everything():
    """What the tests run with is what is installed."""

    def pinned(name: str) -> set[str]:
        lines = text_of(Path("packaging", name)).splitlines()
        return {line.rstrip(" \\") for line in lines if "==" in line}

    assert pinned("requirements.txt") <= pinned("requirements-test.txt")
    assert pinned("requirements-test.txt") <= pinned("requirements-browser.txt")


def test_every_declared_dependency_is_pinned():
    tomllib = pytest.importorskip("tomllib")
    project = tomllib.loads(text_of(Path("pyproject.toml")))["project"]

    def names(wanted: list[str]) -> set[str]:
        return {re.split(r"[\[<>=~! ;]", each)[0].lower() for each in wanted}

    def pinned(name: str) -> set[str]:
        return set(
            re.findall(r"^([a-z0-9-]+)==", text_of(Path("packaging", name)), re.M)
        )

    extras = project["optional-dependencies"]
    own = {"tidegate"}
    assert names(project["dependencies"]) <= pinned("requirements.txt")
    assert names(extras["serial"]) <= pinned("requirements.txt")
    assert names(extras["test"]) - own <= pinned("requirements-test.txt")
    assert names(extras["fleet"]) <= pinned("requirements-bench-fleet.txt")
    assert names(extras["browser"]) <= pinned("requirements-browser.txt")


def test_every_target_of_the_makefile_is_explained():
    text = text_of(Path("Makefile"))
    targets = set(re.search(r"^\.PHONY: (.*)$", text, re.M)[1].split())
    assert {"demo", "test", "check", "lint", "bench", "clean"} <= targets
    for target in targets - {"help"}:
        assert re.search(rf"^{target}:", text, re.M), target
        assert re.search(rf'@echo "make {target} ', text), target


@pytest.mark.parametrize("script", [".ci/run", "packaging/lock", "packaging/deb/build"])
def test_scripts_can_be_run_and_stop_at_the_first_failure(script):
    assert (ROOT / script).stat().st_mode & stat.S_IXUSR
    text = text_of(Path(script))
    assert text.startswith("#!/usr/bin/env bash\n")
    assert "set -euo pipefail\n" in text
    subprocess.run(["bash", "-n", str(ROOT / script)], check=True, timeout=10)


def test_licence_is_the_one_that_is_declared():
    text = text_of(Path("LICENSE"))
    assert "Apache License\n" in text
    assert "Version 2.0, January 2004" in text
    assert "END OF TERMS AND CONDITIONS" in text
    assert 'license = "Apache-2.0"' in text_of(Path("pyproject.toml"))
