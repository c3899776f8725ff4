"""An export streams: four times the rows take four times as long and no more memory."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from table import Figures, Part

from support import cyclelog_rows as make
from support.cyclelog_faults import tampered
from tidegate.cyclelog.writer import Writer

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

FEW, MANY = 37_500, 150_000  # a station-year has about as many as the latter
MB = 1e6


async def _begun(path: Path) -> None:
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    for row in make.some()[:-1]:
        writer.append(row)
    writer.append(replace(make.reading(9_000), reads=3, span_ms=60_000))
    await writer.commit()
    await writer.close()


def log(folder: Path, count: int) -> Path:
    """Return a log with so many invented readings; only its last link is counted on."""
    path = folder / f"{count}.db"
    asyncio.run(_begun(path))
    tampered(
        path,
        lambda database: database.executescript(
            f"""
            CREATE TEMP TABLE one AS SELECT * FROM reading ORDER BY id DESC LIMIT 1;
            WITH RECURSIVE n(i) AS (VALUES(1000) UNION ALL SELECT i + 1 FROM n
              WHERE i < {count})
            INSERT INTO reading SELECT i, boot_ms + 90000 * i, wall_ms + 90000 * i,
              station, reads, span_ms, wall_slip_ms, longest_gap_ms, same_reads,
              same_span_ms, why_not, 5500 + i % 1000, battery_status_code,
              external_power_code, 3400 + i % 400, current_ma, 20000 + i % 9000,
              charge_mah, uptime_s, took_ms, last_soc_hundredths_percent,
              last_voltage_mv, last_current_ma, last_temperature_mc, last_charge_mah,
              last_uptime_s, raw FROM n, one WHERE i % 100;
            CREATE TEMP TABLE tie AS SELECT * FROM link LIMIT 1;
            WITH RECURSIVE n(i) AS (VALUES(1000) UNION ALL SELECT i + 100 FROM n
              WHERE i < {count})
            INSERT INTO link SELECT i, boot_ms, wall_ms, i / 100, 99, digest
              FROM n, tie;
            """
        ),
    )
    return path


PROGRAM = """
import re, sys
from tidegate.cli.main import run
code = run(sys.argv[1:])
with open("/proc/self/status") as status:
    peak = re.search(r"VmHWM:\\s+(\\d+) kB", status.read())
print(int(code), peak[1])
"""


def cost(path: Path, form: str, to: Path) -> tuple[float, float]:
    """Return the seconds and the peak of resident MB of a process of its own.

    Source of VmHWM: proc_pid_status(5).
    """
    words = ["log", "export", "--log", str(path), "--format", form, "--to", str(to)]
    began_s = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *words],
        check=True,
        capture_output=True,
        text=True,
    )
    took_s = time.perf_counter() - began_s
    code, peak_kib = map(int, done.stdout.splitlines()[-1].split())
    # The links that were made up do not hold, which a copy says.
    assert code == (1 if form == "db" else 0)
    return took_s, peak_kib * 1024 / MB


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet", "db"])
def test_memory_does_not_grow_with_the_log(
    tmp_path: Path, figures: Figures, form: str
) -> None:
    few_s, few_mb = cost(log(tmp_path, FEW), form, tmp_path / "few")
    many_s, many_mb = cost(log(tmp_path, MANY), form, tmp_path / "many")
    beside = f"a quarter of {MANY} rows"
    figures.row(
        Part.BESIDE,
        f"export to {form}: peak of memory",
        many_mb,
        "MB",
        beside=(beside, few_mb),
    )
    figures.row(
        Part.BESIDE, f"export to {form}: time", many_s, "s", beside=(beside, few_s)
    )
    assert many_mb < 1.3 * few_mb
    assert many_s < 8 * few_s
