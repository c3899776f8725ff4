"""`[mqtt]`: messages to a broker; off by default."""

from __future__ import annotations

from typing import Annotated, Final, Self

from pydantic import Field, StringConstraints, model_validator

from tidegate.core.policy import MINUTE_MS
from tidegate.settings.durations import Between
from tidegate.settings.models import Table
from tidegate.settings.problems import problem, shown

FilePath = Annotated[str, StringConstraints(pattern=r"^/[^\x00]+$")]
# No wildcards and no control characters (MQTT 5.0, sections 4.7 and 1.5.4).
_BARRED: Final = r"+#\x00-\x1f\x7f-\x9f"
Topic = Annotated[
    str, StringConstraints(pattern=rf"^[^${_BARRED}/](?:[^{_BARRED}]*[^{_BARRED}/])?$")
]
TLS_PORT: Final = 8_883
CLEAR_PORT: Final = 1_883


class MqttSettings(Table):
    """Messages to a broker."""

    broker: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z0-9.:_-]+$",
        description="name or address of the broker; not set: nothing is published",
    )
    port: int | None = Field(
        default=None, ge=1, le=65_535, description="not set: 8883, or 1883 without TLS"
    )
    tls: bool = Field(default=True, description="false: in clear, secrets included")
    ca: FilePath | None = Field(
        default=None, description="file with the only CA, or certificate, to trust"
    )
    certificate: FilePath | None = Field(
        default=None, description="file with our own certificate, where one is wanted"
    )
    certificate_key: FilePath | None = Field(
        default=None, description="file with its key, where it stands apart"
    )
    credentials: FilePath | None = Field(
        default=None, description="file with user:password"
    )
    topic: Topic | None = Field(
        default=None,
        max_length=200,
        description="what all topics begin with; not set: tidegate/ and twelve digits "
        "that stand for this machine",
    )
    every_ms: Annotated[int, Between("5s", "1h")] = Field(
        default=MINUTE_MS,
        alias="every",
        description="the state of a station is published at most so often",
    )

    @property
    def reached_port(self) -> int:
        """The port, set or usual."""
        return self.port or (TLS_PORT if self.tls else CLEAR_PORT)

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.broker is None and self.model_fields_set:
            named = sorted(self.model_dump(by_alias=True, exclude_unset=True))
            raise problem(
                f"found {named[0]} without broker, allowed is the name or address of "
                "a broker beside it, or an empty table"
            )
        if not self.tls and (self.ca or self.certificate):
            raise problem(
                "found tls = false together with "
                f"{'ca' if self.ca else 'certificate'}, allowed is either of them",
                at=("tls",),
            )
        if self.certificate_key and not self.certificate:
            raise problem(
                f"found {shown(self.certificate_key)} without certificate, allowed is "
                "both or neither",
                at=("certificate_key",),
            )
        return self
