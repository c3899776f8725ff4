"""A picture of a long log costs less than reading all of its rows.

Both are measured in one run, as the processor's time; the data are synthetic.
"""

import time
from dataclasses import replace

import pytest
from table import Part

from support import cyclelog_rows as make
from support.placed_rows import place
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.writer import Writer
from tidegate.report.story import story
from tidegate.virtual import run

pytestmark = pytest.mark.slow

ROWS = 20_000
MOST = 1.2


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("log") / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    run(written(writer), clock=make.clock())
    return path


async def written(writer):
    writer.append(make.run())
    writer.append(make.settings())
    one = make.reading(0)
    for index in range(ROWS):
        at_ms = index * 300_000
        writer.append(
            replace(
                one,
                boot_ms=at_ms,
                wall_ms=make.WALL_MS + at_ms,
                soc_hundredths_percent=5_500 + 100 * (index % 11),
            )
        )
        if index % 1_000 == 0:
            await writer.commit()
    await writer.commit()
    await writer.close()


def least_s(what):
    """Return the least of three times."""
    taken = []
    for _ in range(3):
        before = time.process_time()
        what()
        taken.append(time.process_time() - before)
    return min(taken)


def read(log):
    with Reader(log) as reader:
        return sum(1 for _ in reader.history("lobby"))


def test_a_story_costs_no_more_than_reading_the_log(log, figures):
    with Reader(log) as reader:
        placing = place(reader.history("lobby"))
    assert read(log) >= ROWS
    told_s = least_s(lambda: story(log, "lobby", placing=placing))
    read_s = least_s(lambda: read(log))
    figures.row(
        Part.BESIDE,
        "a report's story of 20 000 rows",
        1_000 * told_s,
        "ms",
        beside=("reading the rows", 1_000 * read_s),
    )
    assert told_s <= MOST * read_s, f"{told_s:.3f} s, reading {read_s:.3f} s"
