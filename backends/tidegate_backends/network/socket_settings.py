"""What the settings of every network socket have in common."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from tidegate.contract import Contact, RelaySettings
from tidegate_backends.network.credentials import FilePath
from tidegate_backends.seconds import Seconds


class SocketSettings(RelaySettings):
    """A socket with a power of its own, reached over the network."""

    contact: Contact = Field(
        default="latching",
        description="a network socket keeps its state without tidegate; on and off "
        "mean the supply, however it is wired",
    )
    ca: FilePath | None = Field(
        default=None, description="file with the only CA, or certificate, to trust"
    )
    certificate: FilePath | None = Field(
        default=None, description="file with our own certificate, where one is wanted"
    )
    certificate_key: FilePath | None = Field(
        default=None, description="file with its key, where it stands apart"
    )
    timer: Annotated[Seconds, Field(ge=10, le=3_600)] | None = Field(
        default=None,
        description="how long an off lasts by itself, sent as {seconds}; the longest "
        "time without supply when tidegate is gone; several polls long",
    )
    limit: Annotated[Seconds, Field(gt=0, le=10)] = Field(
        default=2.0,
        description="how long a call may take, the socket's own report included",
    )

    @property
    def timer_s(self) -> float | None:
        return self.timer

    @model_validator(mode="after")
    def _timer_and_key_make_sense(self) -> Self:
        if self.timer is not None and not self.timer.is_integer():
            raise ValueError("timer is whole seconds")
        if self.certificate_key and not self.certificate:
            raise ValueError("certificate_key goes with certificate")
        return self
