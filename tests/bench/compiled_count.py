"""Times the compiled count beside the package; run by the bench in an environment of
its own, with the extra `fleet` and ``rainflow``. Prints one JSON document.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable

import numpy
import rainflow

from support.walks import LINGERING, MOVING, percent_walk
from tidegate.wear.rainflow_array import count_array


def took_s(work: Callable[[], object]) -> float:
    began_s = time.process_time()
    work()
    return time.process_time() - began_s


def best_s(work: Callable[[], object]) -> float:
    """Return the best of three: a few milliseconds once say little beside a quarter of
    a second that the package takes, which is a mean in itself.
    """
    return min(took_s(work) for _ in range(3))


def compared(levels: list[int]) -> dict[str, object]:
    """Return whether all cycles are the same, and the best times of rounds in turn."""
    series = numpy.array(levels, dtype=numpy.float64)
    theirs = [cycle[:3] for cycle in rainflow.extract_cycles(levels)]
    ours = list(zip(*(part.tolist() for part in count_array(series)), strict=True))
    rounds = [
        (
            took_s(lambda: rainflow.count_cycles(levels)),
            best_s(lambda: count_array(series)),
            best_s(lambda: count_array(levels)),
        )
        for _ in range(7)
    ]
    package_s, array_s, list_s = (min(each) for each in zip(*rounds, strict=True))
    return {
        "same": theirs == ours,
        "cycles": len(ours),
        "package_s": package_s,
        "array_s": array_s,
        "list_s": list_s,
    }


def main() -> None:
    compile_s = took_s(lambda: count_array([1.0, 3.0, 2.0]))
    number = int(sys.argv[1])
    json.dump(
        {
            "compile_s": compile_s,
            "moving": compared(percent_walk(number, steps=MOVING)),
            "lingering": compared(percent_walk(number, steps=LINGERING)),
        },
        sys.stdout,
    )


if __name__ == "__main__":
    main()
