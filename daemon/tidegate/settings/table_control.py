"""`[control]`: the local socket through which people steer a running daemon."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Final

from pydantic import Field, field_validator

from tidegate.settings.models import Table
from tidegate.settings.problems import problem, shown

_MODE: Final = re.compile(r"0?[0-7]{3}")
_OWNER_MAY: Final = 0o600
# A name as groupadd(8) takes it on this system, or a number.
_GROUP: Final = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,30}[$]?")


class ControlSettings(Table):
    """Where the control socket is and who may use it."""

    enabled: bool = Field(default=True, description="false: no control socket at all")
    socket: Annotated[Path, Field(strict=False)] | None = Field(
        default=None,
        description="the file of the socket; not set: control.sock in /run/tidegate, "
        "or where the locks of the person are who runs the daemon",
    )
    mode: str = Field(
        default="0660", description="file mode of the socket: who may ask at all"
    )
    group: str | None = Field(
        default=None, description="group that owns the socket; not set: the daemon's"
    )
    operators: str | None = Field(
        default=None,
        description="group whose members may order; not set: the socket's group",
    )

    @field_validator("socket")
    @classmethod
    def _is_a_path(cls, value: Path | None) -> Path | None:
        if value is not None and (not value.is_absolute() or "\0" in str(value)):
            raise problem(
                f"found {shown(str(value))}, allowed is a path from the root, such as "
                '"/run/tidegate/control.sock"'
            )
        return value

    @field_validator("mode")
    @classmethod
    def _is_a_mode(cls, value: str) -> str:
        fits = _MODE.fullmatch(value) is not None
        if not fits or int(value, 8) & _OWNER_MAY != _OWNER_MAY:
            raise problem(
                f"found {shown(value)}, allowed are three octal digits in quotes, the "
                'first 6 or 7, such as "0660" (group) or "0666" (everybody)'
            )
        return value

    @field_validator("group", "operators")
    @classmethod
    def _is_a_group(cls, value: str | None) -> str | None:
        if value is not None and _GROUP.fullmatch(value) is None:
            raise problem(f"found {shown(value)}, allowed is the name of a group")
        return value
