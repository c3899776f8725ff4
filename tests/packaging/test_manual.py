"""Man pages and completions, made from the command line itself.

Sources: man-pages(7) for the sections and their order; mandoc(1), -T lint.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from support.peers import need
from tidegate.cli.exits import Code
from tidegate.cli.main import tidegate
from tidegate.report.cautions import CAUTIONS

ROOT = Path(__file__).parents[2]
# CAUTIONS is a section of ours, before the examples.
ORDER = (
    *("NAME", "SYNOPSIS", "DESCRIPTION", "OPTIONS", "COMMANDS", "EXIT STATUS"),
    *("ENVIRONMENT", "FILES", "CAUTIONS", "EXAMPLES", "SEE ALSO"),
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("manual")
    subprocess.run(
        [sys.executable, str(ROOT / "packaging" / "manual"), str(folder)],
        env={**os.environ, "SOURCE_DATE_EPOCH": "0", "PYTHONPATH": paths()},
        check=True,
        capture_output=True,
        timeout=60,
    )
    return folder


def paths() -> str:
    return os.pathsep.join(path for path in sys.path if path)


def commands(group: click.Group, above: str = "tidegate") -> Iterator[str]:
    yield above
    ctx = click.Context(group)
    for name in group.list_commands(ctx):
        command = group.get_command(ctx, name)
        if isinstance(command, click.Group):
            yield from commands(command, f"{above}-{name}")
        else:
            yield f"{above}-{name}"


def pages(made: Path) -> list[Path]:
    found = sorted((made / "man1").iterdir())
    assert len(found) > 15
    return found


def printed(page: Path) -> str:
    """Return the page as a reader sees it, in one line."""
    done = subprocess.run(
        [need("mandoc"), "-T", "utf8", "-O", "width=78", str(page)],
        check=True,
        capture_output=True,
        text=True,
        timeout=30,
    )
    return " ".join(re.sub(r".\x08", "", done.stdout).split())


def test_every_command_has_a_page(made: Path) -> None:
    assert {page.name for page in pages(made)} == {
        f"{name}.1" for name in commands(tidegate)
    }


def test_sections_are_in_the_order_of_man_pages_7(made: Path) -> None:
    for page in pages(made):
        titles = re.findall(r"^\.SH (.+)$", page.read_text(), re.M)
        assert titles == [each for each in ORDER if each in titles], page
        assert {"NAME", "SYNOPSIS", "EXIT STATUS", "CAUTIONS", "SEE ALSO"} <= set(
            titles
        )


def test_the_first_page_tells_every_code_and_every_variable(made: Path) -> None:
    text = (made / "man1" / "tidegate.1").read_text()
    status = text[text.index(".SH EXIT STATUS") : text.index(".SH ENVIRONMENT")]
    told = {int(each) for each in re.findall(r"^\\fB(\d+)\\fR$", status, re.M)}
    assert told == {int(code) for code in Code}
    sources = "".join(
        each.read_text() for each in (ROOT / "daemon" / "tidegate").rglob("*.py")
    )
    read = set(re.findall(r'environ[^"\n]{0,12}"(TIDEGATE_[A-Z]+)"', sources))
    assert "TIDEGATE_CONFIG" in read
    assert read == {each for each in read if each in text}


def test_dates_come_from_the_source_date(made: Path) -> None:
    assert ' 1 1970-01-01 "' in (made / "man1" / "tidegate.1").read_text()


@pytest.mark.peer
def test_a_formatter_has_nothing_to_complain_about(made: Path) -> None:
    done = subprocess.run(
        [need("mandoc"), "-T", "lint", "-W", "warning", *map(str, pages(made))],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@pytest.mark.peer
@pytest.mark.slow
def test_man_itself_has_nothing_to_complain_about(made: Path) -> None:
    for page in pages(made):
        done = subprocess.run(
            [need("man"), "--warnings", "-E", "UTF-8", "-l", "-Tutf8", "-Z", str(page)],
            env={**os.environ, "LC_ALL": "C.UTF-8"},
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert (done.returncode, done.stderr) == (0, ""), page


@pytest.mark.peer
def test_the_cautions_are_printed_as_they_are(made: Path) -> None:
    seen = printed(made / "man1" / "tidegate-prove.1")
    for caution in CAUTIONS:
        assert " ".join(caution.split()) in seen


@pytest.mark.peer
def test_examples_can_be_copied(made: Path) -> None:
    """A formatter may not turn hyphens and quotes of a command into prettier ones."""
    line = 'tidegate prove entrance --by "A. Fitter" --because "new relay" --rounds 5'
    assert line in printed(made / "man1" / "tidegate-prove.1")


@pytest.fixture
def place(tmp_path: Path) -> dict[str, str]:
    """An environment with the command and settings of an invented museum."""
    tool = tmp_path / "tidegate"
    tool.write_text(f'#!/bin/sh\nexec {sys.executable} -m tidegate "$@"\n')
    tool.chmod(0o755)
    settings = tmp_path / "settings.toml"
    settings.write_text(
        '[station.hall]\ngauge = { kind = "twin" }\n'
        '[station.tower]\ngauge = { kind = "twin" }\n'
    )
    return {
        **os.environ,
        "PATH": f"{tmp_path}:{os.environ['PATH']}",
        "PYTHONPATH": paths(),
        "TIDEGATE_CONFIG": str(settings),
        "HOME": str(tmp_path),
    }


def in_bash(made: Path, place: dict[str, str], *words: str) -> list[str]:
    script = (
        f". {made}/completions/tidegate.bash; COMP_WORDS=(tidegate {' '.join(words)}); "
        f"COMP_CWORD={len(words)}; _tidegate_completion tidegate; "
        'printf "%s\\n" "${COMPREPLY[@]}"'
    )
    done = subprocess.run(
        ["bash", "-c", script],
        env=place,
        check=True,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.stderr == ""
    return done.stdout.split()


def test_bash_completes_commands_and_stations(
    made: Path, place: dict[str, str]
) -> None:
    assert in_bash(made, place, "log", "ver") == ["verify"]
    assert in_bash(made, place, "restore", "h") == ["hall"]
    broken = {**place, "TIDEGATE_CONFIG": "/nowhere"}
    assert in_bash(made, broken, "restore", "h") == []


@pytest.mark.peer
@pytest.mark.slow
def test_fish_completes_commands_and_stations(
    made: Path, place: dict[str, str]
) -> None:
    def completed(line: str) -> list[str]:
        script = f"source {made}/completions/tidegate.fish; complete -C '{line}'"
        done = subprocess.run(
            [need("fish"), "--no-config", "-c", script],
            env=place,
            check=True,
            capture_output=True,
            text=True,
            timeout=60,
        )
        return [each.split("\t")[0] for each in done.stdout.splitlines()]

    assert completed("tidegate log ver") == ["verify"]
    assert completed("tidegate restore t") == ["tower"]


@pytest.mark.peer
@pytest.mark.slow
@pytest.mark.parametrize(
    ("typed", "shown"),
    [("tidegate log ver", "log verify"), ("tidegate restore t", "restore tower")],
)
def test_zsh_completes_commands_and_stations(
    made: Path, place: dict[str, str], typed: str, shown: str
) -> None:
    """At a terminal of its own, with the key that a person presses. zshmodules(1)."""
    begun = (
        f"fpath=({made}/completions $fpath); autoload -U compinit; compinit -u -D; "
        "print begun:$((6*7))"
    )
    script = f"""
        setopt errexit
        zmodload zsh/zpty
        zpty one zsh -f -i
        zpty -w one {shlex.quote(begun)}
        zpty -r one said '*begun:42*'
        zpty -w -n one $'{typed}\t'
        zpty -r one said '*{shown} *'
        zpty -d one
    """
    subprocess.run(
        [need("zsh"), "-f", "-c", script],
        env={**place, "TERM": "dumb"},
        check=True,
        capture_output=True,
        timeout=60,
    )


@pytest.mark.peer
@pytest.mark.slow
def test_zsh_reads_its_script_as_a_completion_of_ours(made: Path) -> None:
    script = made / "completions" / "_tidegate"
    assert script.read_text().startswith("#compdef tidegate\n")
    done = subprocess.run(
        [
            *(need("zsh"), "-f", "-c"),
            f"fpath=({script.parent} $fpath); autoload -U compinit; compinit -u -D; "
            "print ${_comps[tidegate]}",
        ],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert (done.stdout.strip(), done.stderr) == ("_tidegate", "")
