"""Write the man pages and the shell completions, from the command line itself.

    python packaging/manual FOLDER

makes FOLDER/man1/*.1, a page a command, and FOLDER/completions/. SOURCE_DATE_EPOCH is
the date on the pages, else today.
"""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

from completions import scripts
from pages import page, walk

from tidegate import __version__
from tidegate.cli.main import tidegate


def written(folder: Path) -> list[Path]:
    """Write all of it and return the files."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    at = datetime.now(UTC) if epoch is None else datetime.fromtimestamp(int(epoch), UTC)
    found = []
    for ctx in walk(tidegate):
        name = ctx.command_path.replace(" ", "-")
        text = page(ctx, version=__version__, date=f"{at:%Y-%m-%d}")
        found.append(_write(folder / "man1" / f"{name}.1", text))
    for name, text in scripts(tidegate).items():
        found.append(_write(folder / "completions" / name, text))
    return found


def _write(file: Path, text: str) -> Path:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, encoding="utf-8")
    return file


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python packaging/manual FOLDER")
    for each in written(Path(sys.argv[1])):
        print(each)  # noqa: T201
