"""The requests of an `http` relay as an operator writes them.

A request names a method and a path under `base` (or a whole address), perhaps a body
and headers, and what proves its answer. Secrets stand in the credentials file; where
a socket wants them in the address, the body or a header of its own, ``{user}``,
``{password}`` and ``{token}`` stand for them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final, Literal, Self
from urllib.parse import SplitResult, quote, urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)
from pydantic_core import PydanticCustomError

from tidegate_backends.network.credentials import Credentials
from tidegate_backends.wire import http1, json_pointer

SECONDS: Final = "{seconds}"
NO_TIMER: Final = (
    "nothing returns the supply when tidegate is gone: a network socket keeps what it "
    "was told, unless it takes a timer with each off"
)
JSON: Final = "application/json"
SECRETS: Final = ("{user}", "{password}", "{token}")

Word = bool | int | float | str


def _is(pattern: str, allowed: str) -> AfterValidator:
    """Return a check that says what is allowed and not what was found, a secret maybe."""

    def check(value: str) -> str:
        if re.fullmatch(pattern, value) is None:
            # The type is what the settings know as words for a person.
            raise PydanticCustomError("tidegate", "{text}", {"text": allowed, "at": ()})
        return value

    return AfterValidator(check)


Address = Annotated[
    str, _is(r"[!-~]{1,2000}", "allowed is an address of visible ASCII characters")
]
HeaderName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9!#$%&'*+.^_`|~-]+$")]
HeaderValue = Annotated[
    str, _is(r"[ -~]{0,500}", "allowed is a value of visible ASCII characters")
]

# These are ours to send, or carry a secret by their nature.
_OURS: Final = (
    *("authorization", "proxy-authorization", "cookie", "host", "connection"),
    *("content-length", "transfer-encoding", "accept-encoding", "upgrade", "expect"),
)
_SECRET_NAME: Final = re.compile(
    r"(?i)pass(?:word|phrase|wd)?$|^pwd$|secret|token|credential|authori[sz]ation|"
    r"api[-_]?key|^key$"
)
# What stands in a body as name: value or name=value.
_NAMED: Final = re.compile(r"""([\w-]+)["']?\s*[:=]\s*["']?([^"'&,\s]+)""")
_PLACE: Final = re.compile("|".join(map(re.escape, (SECONDS, *SECRETS))))
_ABSOLUTE: Final = re.compile(r"(?i)https?://")


class Part(BaseModel):
    """A table within the relay's table."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def pointer_is_sound(pointer: str | None) -> None:
    """Raise ValueError unless it is a JSON pointer, or nothing."""
    if pointer is not None:
        json_pointer.tokens(pointer)


def regex_is_sound(regex: str | None) -> None:
    """Raise ValueError unless it is a regular expression, or nothing."""
    try:
        re.compile(regex or "")
    except re.error as error:
        raise ValueError(f"{regex!r} is no regular expression: {error}") from error


class Expect(Part):
    """What an answer must be like, to prove that the socket took the request."""

    status: tuple[Annotated[int, Field(ge=200, le=299)], ...] = Field(
        default=(), description="status codes, each from 200 to 299; not set: all these"
    )
    pointer: str | None = Field(
        default=None, description="JSON pointer to a value of the answer"
    )
    equals: Word | None = Field(default=None, description="what is there")
    regex: str | None = Field(
        default=None, description="matches somewhere in the answer"
    )

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        pointer_is_sound(self.pointer)
        regex_is_sound(self.regex)
        if (self.pointer is None) != (self.equals is None):
            raise ValueError("allowed is pointer with equals, or neither")
        return self

    @property
    def proves(self) -> bool:
        """Whether it looks at more than the status."""
        return self.pointer is not None or self.regex is not None


class State(Part):
    """Where an answer tells the state, and its words for on and off."""

    pointer: str | None = Field(default=None, description="JSON pointer to the state")
    regex: str | None = Field(
        default=None, description="its first group is the state, else all it matches"
    )
    on: Word = Field(description="how it says that the supply is on")
    off: Word = Field(description="how it says that the supply is off")

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        pointer_is_sound(self.pointer)
        regex_is_sound(self.regex)
        if (self.pointer is None) == (self.regex is None):
            raise ValueError("allowed is one of pointer and regex")
        if json_pointer.same(self.on, self.off):
            raise ValueError("on and off are the same word")
        if self.regex is not None and not isinstance(self.on, str):
            raise ValueError("with a regex, on and off are text in quotes")
        return self


class Request(Part):
    """One request to the socket."""

    method: Literal["GET", "POST", "PUT", "PATCH"] = "GET"
    url: Address = Field(description="a path under base, or a whole address")
    body: str | None = Field(
        default=None, max_length=4_000, description="sent as it is"
    )
    headers: Mapping[HeaderName, HeaderValue] = Field(
        default={}, description="further headers"
    )
    expect: Expect = Expect()

    @model_validator(mode="after")
    def _holds_no_secret(self) -> Self:
        for name, value in self.headers.items():
            if name.lower() in _OURS:
                raise ValueError(
                    f"the header {name} is not yours to set; secrets stand in the file "
                    "of credentials"
                )
            if _SECRET_NAME.search(name) and not _has_place(value):
                raise ValueError(
                    f"the header {name} looks like a secret: write its value into the "
                    "file of credentials and {token} here"
                )
        query = self.url.partition("?")[2]
        for name, value in _NAMED.findall(f"{query} {self.body or ''}"):
            if _SECRET_NAME.search(name) and not _has_place(value):
                raise ValueError(
                    f"{name} looks like a secret: write its value into the file of "
                    "credentials and {password} or {token} here"
                )
        return self

    @property
    def wants_secrets(self) -> bool:
        """Whether it says by itself where the secrets go."""
        return _has_place(self.whole())

    def whole(self) -> str:
        """Return all of it that places may stand in."""
        return "\n".join((self.url, self.body or "", *self.headers.values()))

    @property
    def has_seconds(self) -> bool:
        """Whether it says for how long."""
        return SECONDS in self.url or SECONDS in (self.body or "")

    def content_type(self) -> str:
        """Return the type of the body, as it looks."""
        try:
            json.loads((self.body or "").replace(SECONDS, "0"))
        except ValueError:
            return "application/x-www-form-urlencoded"
        return JSON


class Read(Request):
    """The request that asks for the state."""

    state: State


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a request goes: all but ``path`` is the same for one socket."""

    scheme: str
    host: str
    port: int
    path: str

    @property
    def authority(self) -> str:
        """Host and port as the header ``Host`` has them."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        usual = 443 if self.scheme == "https" else 80
        return host if self.port == usual else f"{host}:{self.port}"

    @property
    def origin(self) -> str:
        """Scheme, host and port: whom the secrets may be told."""
        return f"{self.scheme}://{self.authority}"


def place(url: str, base: str | None) -> Place:
    """Return where an address leads. Errors: ValueError, without the address."""
    whole = url if _ABSOLUTE.match(url) else f"{(base or '').rstrip('/')}{url}"
    if not _ABSOLUTE.match(whole):
        raise ValueError(
            "an address begins with http:// or https://, or with / where base is set"
        )
    if not _ABSOLUTE.match(url) and not url.startswith("/"):
        raise ValueError("a path under base begins with /")
    parts = _split(whole)
    if parts.username is not None or parts.password is not None:
        raise ValueError(
            "an address carries a user or password; write them into the file of "
            "credentials"
        )
    if not parts.hostname or parts.fragment:
        raise ValueError("an address needs a host, and has no # in it")
    scheme = parts.scheme.lower()
    port = _port(parts)
    query = f"?{parts.query}" if parts.query else ""
    return Place(
        scheme=scheme,
        host=parts.hostname,
        port=port or (443 if scheme == "https" else 80),
        path=f"{parts.path or '/'}{query}",
    )


def as_bytes(
    request: Request, where: Place, *, held: Credentials | None, timer_s: float | None
) -> bytes:
    """Return a request as it goes over the network, its places filled in."""
    places = {} if timer_s is None else {SECONDS: str(round(timer_s))}
    secrets = {} if held is None else held.places()
    headers = {name: _filled(value, secrets) for name, value in request.headers.items()}
    quoted = {name: quote(value, safe="") for name, value in secrets.items()}
    body = None
    if request.body is not None:
        kind = request.content_type()
        in_text = {name: json.dumps(value)[1:-1] for name, value in secrets.items()}
        put = in_text if kind == JSON else quoted
        body = _filled(request.body, {**places, **put})
        if "content-type" not in map(str.lower, headers):
            headers["Content-Type"] = kind
    if held is not None and not request.wants_secrets:
        headers["Authorization"] = held.authorization()
    return http1.request(
        request.method,
        _filled(where.path, {**places, **quoted}),
        host=where.authority,
        headers=headers,
        body=None if body is None else body.encode(),
    )


def missing(request: Request, places: Mapping[str, str]) -> tuple[str, ...]:
    """Return the places of secrets that nothing is there for."""
    text = request.whole()
    return tuple(name for name in SECRETS if name in text and name not in places)


def _split(address: str) -> SplitResult:
    try:
        return urlsplit(address)
    except ValueError:
        # Without its words: they quote the address, which may hold a secret.
        raise ValueError("an address needs a host, with [ ] around IPv6 only") from None


def _port(parts: SplitResult) -> int | None:
    try:
        port = parts.port
    except ValueError:
        port = 0  # and without its words, as above
    if port == 0:
        raise ValueError("the port of an address is a number from 1 to 65535")
    return port


def _filled(text: str, places: Mapping[str, str]) -> str:
    # In one go: what was filled in may look like a place itself.
    return _PLACE.sub(lambda found: places.get(found[0], found[0]), text)


def _has_place(text: str) -> bool:
    return any(name in text for name in SECRETS)
