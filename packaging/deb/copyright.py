"""The copyright file: our licence, and that of every distribution in the venv.

Source: "Machine-readable debian/copyright file", version 1.0 (Debian Policy 12.5).
"""

from __future__ import annotations

import re
import sys
from email.parser import HeaderParser
from pathlib import Path
from typing import Final

# What a distribution says in words of its own, and its name in SPDX. Where it says
# nothing at all its licence files do: hidapi lets one choose among three.
SAID: Final = {
    "MIT": "MIT",
    "BSD": "BSD-3-Clause",
    "hidapi": "GPL-3.0-only or BSD-3-Clause or HIDAPI",
}
COMMON: Final = "/usr/share/common-licenses"
ON_EVERY_DEBIAN: Final = {
    "Apache-2.0": f"The full text is in {COMMON}/Apache-2.0.",
    "BSD-3-Clause": f"The full text is in {COMMON}/BSD.",
    "LGPL-2.1-or-later": f"The full text is in {COMMON}/LGPL-2.1.",
}
FULL_TEXT: Final = "The full text is in the licence files of the distributions named."


def paragraphs(own_licence: Path, packages: Path) -> list[str]:
    """Return the paragraphs of the file, for the venv's folder of packages."""
    found = [
        "Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/\n"
        "Upstream-Name: tidegate",
        f"Files: *\nCopyright: {_notice([own_licence]) or 'the tidegate authors'}\n"
        "License: Apache-2.0",
    ]
    licences = {"Apache-2.0"}
    for folder in sorted(packages.glob("*.dist-info")):
        said = HeaderParser().parsestr(
            (folder / "METADATA").read_text(encoding="utf-8", errors="replace")
        )
        if said["Name"] == "tidegate":
            continue
        licence = _licence(said["Name"], said["License-Expression"], said["License"])
        licences.add(licence)
        files = sorted(each for each in folder.glob("licenses/**/*") if each.is_file())
        holders = _notice(files) or said["Author"] or said["Author-email"] or ""
        where = f"opt/venvs/tidegate/lib/*/site-packages/{folder.name}"
        found.append(
            f"Files: {where}/*\n"
            f"Copyright: {holders or 'the authors of ' + said['Name']}\n"
            f"License: {licence}\n"
            f"Comment: {said['Name']} {said['Version']}, unchanged. The modules that it "
            "brings\n stand beside that folder."
        )
    found += [
        f"License: {each}\n {ON_EVERY_DEBIAN.get(each, FULL_TEXT)}"
        for each in sorted(licences)
    ]
    return found


def _licence(name: str, expression: str | None, said: str | None) -> str:
    if expression:
        return expression.replace(" OR ", " or ")
    try:
        return SAID.get(name) or SAID[said or ""]
    except KeyError:
        sys.exit(f"packaging/deb/copyright.py: {name} says no licence; add it there")


def _notice(files: list[Path]) -> str:
    """Return the first lines in these files that claim a copyright."""
    found: dict[str, None] = {}
    for file in files:
        for line in file.read_text(encoding="utf-8", errors="replace").splitlines():
            said = re.match(r"\W*copyright:?\s+(?:\(c\)|©)?\s*(.*\d{4}.*)", line, re.I)
            if said and "[yyyy]" not in line:
                found[said[1].strip().rstrip(".")] = None
    return "\n ".join(list(found)[:4])


if __name__ == "__main__":
    print("\n\n".join(paragraphs(Path(sys.argv[1]), Path(sys.argv[2]))))  # noqa: T201
