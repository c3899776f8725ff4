"""The folder of showcases, as the museum's own driver keeps it. All of it is invented.

Every showcase is a folder with a file ``meter`` and a file ``coil``. Where a
conservator has sealed one, it holds a file ``sealed`` and takes no orders.
"""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from pathlib import Path

from tidegate.contract import Found, Host
from tidegate.errors import Unavailable, Unsupported


def root() -> Path:
    """Return where the driver keeps the showcases."""
    return Path(os.environ.get("MUSEUM_SHOWCASES", "/run/museum-showcases"))


def read_text(path: Path) -> str:
    """Return what a file of a showcase holds. Errors: Unavailable."""
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError as error:
        raise Unavailable(
            f"the showcase does not answer ({error.strerror})",
            target=str(path),
            remedy="Look whether the showcase is plugged in",
        ) from error


async def survey(host: Host, kind: str, file: str) -> AsyncIterator[Found]:
    """Yield each showcase that has such a file. Errors: Unsupported."""
    folder = root()
    if not folder.is_dir():
        raise Unsupported(
            "the driver of the showcases does not run here",
            target=str(folder),
            remedy="Start it, or name its folder in MUSEUM_SHOWCASES",
        )
    worker = host.worker(f"showcases {file}")
    for showcase in await worker.call(lambda: sorted(folder.iterdir())):
        if not (showcase / file).exists():
            yield Found(
                what="a showcase",
                where=str(showcase),
                why_not=f"it has no {file}",
                remedy="Nothing to do where that is so on purpose",
            )
            continue
        yield Found(
            what="a showcase",
            where=str(showcase),
            table={"kind": kind, "showcase": str(showcase)},
        )
