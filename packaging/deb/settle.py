"""Make a venv that was built in one place belong to another, and to no machine."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

# What pip leaves for itself; from here on dpkg knows the files. RECORD may be missing:
# "Recording installed projects" of the packaging specifications.
OF_PIP = ("RECORD", "REQUESTED", "direct_url.json")


def settle(venv: Path, final: str, minor: str) -> None:
    """Rewrite what names a place: ``pyvenv.cfg``, the command, the interpreter.

    ``final`` is where the venv will be, ``minor`` the Python it is for, such as 3.11.
    """
    (venv / "pyvenv.cfg").write_text(
        f"home = /usr/bin\ninclude-system-site-packages = false\nversion = {minor}\n"
    )
    shutil.rmtree(venv / "include", ignore_errors=True)
    for script in (venv / "bin").iterdir():
        script.unlink()
    for name, to in (
        ("python", f"/usr/bin/python{minor}"),
        ("python3", "python"),
        (f"python{minor}", "python"),
    ):
        (venv / "bin" / name).symlink_to(to)
    command = venv / "bin" / "tidegate"
    command.write_text(
        f"#!{final}/bin/python\n"
        "import sys\n"
        "\n"
        "from tidegate.cli.main import main\n"
        "\n"
        "sys.exit(main())\n"
    )
    command.chmod(0o755)
    for folder in venv.glob("lib/python*/site-packages/*.dist-info"):
        for name in OF_PIP:
            (folder / name).unlink(missing_ok=True)
        (folder / "INSTALLER").write_text("dpkg\n")


if __name__ == "__main__":
    settle(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
