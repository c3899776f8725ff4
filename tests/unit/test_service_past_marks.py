"""What a start is told of the runs before: the boot, how they ended, which relay.

A short life of one station is written as the shell does; then it is asked for again.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from support import cyclelog_rows as make
from support.cyclelog_life import Life
from tidegate import notice
from tidegate.core.events import Stopping
from tidegate.core.reading import Supply
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.writer import Writer
from tidegate.service.past import pasts
from tidegate.settings import StationSettings, from_tables
from tidegate.station.plan import Past

BOOT, OTHER_BOOT = make.run().boot_id, "another boot"


def _settings() -> StationSettings:
    tables = {"station": {"lobby": {"gauge": {"kind": "sysfs"}}}}
    return from_tables(tables).stations["lobby"]


def _asked(
    path: Path, boot_id: str, *others: str, follows: str | None = None
) -> dict[str, Past]:
    stations = dict.fromkeys(("lobby", *others), _settings())
    return pasts(path, stations, boot_id=boot_id, log=notice.logger(), follows=follows)


async def _alive(path: Path) -> Life:
    life = Life(path, make.clock())
    await life.start()
    await life.live(2)
    return life


async def test_a_run_that_was_killed_is_not_closed(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    life = await _alive(path)
    life.die()
    found = _asked(path, OTHER_BOOT)["lobby"]
    assert (found.same_boot, found.was_closed) == (False, False)
    assert _asked(path, BOOT)["lobby"].same_boot


async def test_a_run_that_was_stopped_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    life = await _alive(path)
    # Not the station's own stop: what closes the run is its last row.
    life.append(make.run_end(life.clock.boot_ms()))
    await life.writer.close()
    found = _asked(path, OTHER_BOOT)["lobby"]
    assert found.was_closed
    assert found.state is not None
    assert found.state.drive.commanded is Supply.ON


async def test_a_station_that_was_taken_out_in_order_is_closed(tmp_path: Path) -> None:
    # The run went on without it and was killed.
    path = tmp_path / "cycles.db"
    life = await _alive(path)
    await life.feed(Stopping())
    life.write_state()
    await life.writer.commit()
    life.die()
    assert _asked(path, OTHER_BOOT)["lobby"].was_closed


async def _began_anew(path: Path) -> Past:
    """Return what is known before the first row of a file that was begun just now."""
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    found = _asked(path, OTHER_BOOT, follows=writer.follows)["lobby"]
    await writer.close()
    return found


async def _with_a_past_file(path: Path) -> None:
    life = await _alive(path)
    await life.writer.close()
    _rename(path, "cycles-2026.db")


def _rename(path: Path, name: str) -> None:
    path.rename(path.with_name(name))


def _damage(path: Path) -> None:
    path.write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 32)


def _set_aside(path: Path) -> list[Path]:
    return list(path.parent.glob(f"{path.name}.damaged-*"))


async def test_a_new_file_goes_on_from_the_past_ones(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    await _with_a_past_file(path)
    assert (await _began_anew(path)).state is not None


async def test_after_a_damaged_file_the_past_ones_are_too_old(tmp_path: Path) -> None:
    # What was learned, latched and spent since is not known, and a replay of the new
    # file will know of none of it.
    path = tmp_path / "cycles.db"
    await _with_a_past_file(path)
    _damage(path)
    assert await _began_anew(path) == Past()
    assert len(_set_aside(path)) == 1


async def test_another_relay_than_before_is_told(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    life = await _alive(path)
    await life.writer.commit()
    assert not _asked(path, BOOT)["lobby"].relay_changed
    relay = '{"relay":{"channel":2,"kind":"serial-frame"}}'
    said = make.settings(policy=_policy_of(life))
    life.append(replace(said, given=relay, boot_ms=life.clock.boot_ms()))
    await life.writer.commit()
    life.die()
    assert _asked(path, BOOT)["lobby"].relay_changed


async def test_rows_that_cannot_be_read_cost_only_their_own_past(
    tmp_path: Path,
) -> None:
    path = tmp_path / "cycles.db"
    life = await _alive(path)
    life.append(make.settings("hall", policy="no policy"))
    await life.writer.commit()
    life.die()
    found = _asked(path, BOOT, "hall")
    assert found["hall"] == Past()
    assert found["lobby"].state is not None


async def test_a_state_of_another_version_costs_the_state_and_no_more(
    tmp_path: Path,
) -> None:
    # What it latched is lost, and the rules find it again; the boot is still known.
    path = tmp_path / "cycles.db"
    life = await _alive(path)
    life.append(make.state(text='{"of":"another version"}'))
    await life.writer.commit()
    life.die()
    found = _asked(path, BOOT)["lobby"]
    assert found.state is None
    assert found.same_boot


def _policy_of(life: Life) -> str:
    return canonical(to_plain(life.state.policy))
