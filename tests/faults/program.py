"""A check's own process: ``python -m faults.program FUNCTION FOLDER``.

The switch that is off in the parent is off here too. Functions take the folder and
return an exit code or nothing; a failed assertion is printed and ends with 1.
"""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from contextlib import nullcontext
from pathlib import Path

from faults.switches import FAULTS, VARIABLE


def started(
    function: str, folder: Path, *wrapper: str, **environ: str
) -> subprocess.Popen[str]:
    """Start a function of a module, ``module:name``, in a process of its own."""
    paths = os.pathsep.join(path for path in sys.path if path)
    return subprocess.Popen(
        [*wrapper, sys.executable, "-m", "faults.program", function, str(folder)],
        env={**os.environ, "PYTHONPATH": paths, **environ},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ran(function: str, folder: Path, *wrapper: str, **environ: str) -> str:
    """Run a function to its end; what it says of a failure is an AssertionError."""
    process = started(function, folder, *wrapper, **environ)
    try:
        said, complained = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, said + complained
    return said


def main() -> int:
    """Run the function with the switch that the parent names."""
    function, folder = sys.argv[1:]
    module, _, name = function.partition(":")
    off = os.environ.get(VARIABLE, "")
    number, _, said = off.partition(":")
    found = [s for s in FAULTS[int(number)].switches if s.off == said] if off else []
    with found[0].switched_off(int(number)) if found else nullcontext():
        try:
            code = getattr(importlib.import_module(module), name)(Path(folder))
        except AssertionError as error:
            print(f"AssertionError: {error}")  # noqa: T201 - for the parent
            return 1
    return code or 0


if __name__ == "__main__":
    raise SystemExit(main())
