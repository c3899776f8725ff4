"""Since when alarms stand, for whoever has only the codes of those that do."""

from __future__ import annotations

from pathlib import Path

from tidegate.cyclelog.reader import Reader


def raised_wall_ms(log: Path, station: str) -> dict[str, int]:
    """Return when each alarm of a station was raised last, UTC in ms, by its code.

    Of this year's file alone; alarms that are over are among them. Errors: LogError.
    """
    with Reader(log) as reader, reader.at_one_moment() as connection:
        # The bare column is that of the row with the maximum: SQLite, "Bare columns in
        # an aggregate query".
        found = connection.execute(
            'SELECT "code", "wall_ms", max("id") FROM "alarm" '
            'WHERE "station" = ? AND "raised" GROUP BY "code"',
            (station,),
        ).fetchall()
    return {code: wall_ms for code, wall_ms, _ in found}
