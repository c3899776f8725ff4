"""Stations of one process begin one after another, and a stop in between says on."""

from __future__ import annotations

from pathlib import Path

from support.shell_rig import ON, Device, Rig, lives

NAMES = tuple(f"hall-{number:02}" for number in range(30))


def crowd(folder: Path, *names: str) -> Rig:
    rig = Rig(folder, names=(), apart=names, table={"poll": "10s"})
    rig.devices = {name: Device(at_ms=rig.clock.boot_ms()) for name in names}
    return rig


def first_reads_ms(rig: Rig, start_ms: int) -> list[int]:
    return [rig.notes("read", name)[0].at_ms - start_ms for name in rig.apart]


def test_first_reads_are_apart_and_soon(tmp_path: Path) -> None:
    rig = crowd(tmp_path, *NAMES)
    start_ms = rig.clock.boot_ms()

    async def life() -> None:
        async with rig.living():
            await rig.live(5)

    lives(rig, life)
    firsts = first_reads_ms(rig, start_ms)
    assert firsts == sorted(firsts)
    assert len(set(firsts)) == len(NAMES)
    assert firsts[-1] < 500


def test_polls_stay_apart(tmp_path: Path) -> None:
    rig = crowd(tmp_path, *NAMES[:12])

    async def life() -> None:
        async with rig.living():
            await rig.live(65)

    lives(rig, life)
    # The reads of switchings come between; the polls are the ones ten seconds apart.
    last = {name: rig.notes("read", name)[-1].at_ms for name in rig.apart}
    assert len(set(last.values())) == len(last)


def test_one_station_alone_does_not_wait(tmp_path: Path) -> None:
    rig = crowd(tmp_path, "lobby")
    start_ms = rig.clock.boot_ms()

    async def life() -> None:
        async with rig.living():
            await rig.live(1)

    lives(rig, life)
    assert first_reads_ms(rig, start_ms) == [1]


def test_a_stop_before_its_turn_still_says_on(tmp_path: Path) -> None:
    rig = crowd(tmp_path, *NAMES)

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(0.05)
            assert not rig.notes("read", NAMES[-1]), "it had its turn already"
            await rig.end()

    lives(rig, life)
    for name in (NAMES[0], NAMES[-1]):
        told = [note.more for note in rig.notes("told", name)]
        assert told[-1:] == [ON], f"{name}: {told}"
