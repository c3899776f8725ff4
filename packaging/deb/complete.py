"""Is all there that tidegate and the named extras ask for? Run by the venv's Python."""

from __future__ import annotations

import re
import sys
from importlib.metadata import PackageNotFoundError, requires, version


def missing(extras: set[str]) -> list[str]:
    """Return the requirements without a distribution, following each one's own.

    Versions were held by the hashed pins, so only presence is looked at.
    """
    asked, found, wanting = ["tidegate"], set(), []
    while asked:
        name = asked.pop()
        if name in found:
            continue
        found.add(name)
        try:
            version(name)
        except PackageNotFoundError:
            wanting.append(name)
            continue
        for line in requires(name) or ():
            needed, _, marker = line.partition(";")
            if name == "tidegate" and _counts(marker, extras):
                asked.append(re.split(r"[\[<>=~! ]", needed, maxsplit=1)[0])
    return wanting


def _counts(marker: str, extras: set[str]) -> bool:
    """Return whether a requirement of ours holds: always, or for one of the extras."""
    extra = re.search(r"extra == ['\"]([a-z]+)['\"]", marker)
    return extra is None or extra[1] in extras


if __name__ == "__main__":
    names = missing(set(sys.argv[1:]))
    if names:
        sys.exit(
            f"packaging/requirements-deb.txt lacks {', '.join(names)}; "
            'run "make requirements"'
        )
