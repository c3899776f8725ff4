"""The `http` relay against a real HTTP server that plays a network socket."""

from __future__ import annotations

import asyncio
import datetime
import socket
import ssl
import time
import traceback
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import trustme

from support.http_socket import HttpSocket
from support.raw_peer import RawPeer
from tidegate.clock import SystemClock
from tidegate.contract import Relay
from tidegate.core.reading import Supply
from tidegate.cyclelog.plain import canonical
from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate.host import Machine
from tidegate.settings import from_tables, without_secrets
from tidegate_backends.network.line import Line, Terms
from tidegate_backends.relays import http

READ: dict[str, Any] = {
    "url": "/outlet/1",
    "state": {"pointer": "/outlets/0/on", "on": True, "off": False},
}
PASSWORD = "Swordfish 7:é"


def put(supply: str, **more: object) -> dict[str, Any]:
    extra = "".join(f', "{key}": {value}' for key, value in more.items())
    return {
        "method": "PUT",
        "url": "/outlet/1",
        "body": f'{{"supply": "{supply}"{extra}}}',
        "expect": {"pointer": "/outlets/0/on", "equals": supply == "on"},
    }


@pytest.fixture
def peer() -> Iterator[HttpSocket]:
    with HttpSocket() as made:
        yield made


@pytest.fixture
async def machine() -> AsyncIterator[Machine]:
    made = Machine(SystemClock())
    yield made
    made.workers.close()


def make(machine: Machine, base: str, **table: Any) -> http.HttpRelay:
    given = {"on": put("on"), "off": put("off"), "limit": "5s", "base": base, **table}
    settings = http.Settings.model_validate(given)
    return http.HttpRelay(settings, machine.host("lobby", hint=lambda: None))


@asynccontextmanager
async def opened(machine: Machine, base: str, **table: Any) -> AsyncIterator[Relay]:
    async with make(machine, base, **table) as relay:
        yield relay


def secret_file(folder: Path, text: str, *, mode: int = 0o600) -> str:
    file = folder / "socket.secret"
    file.write_text(text, encoding="utf-8")
    file.chmod(mode)
    return str(file)


# --- requests as the socket sees them -----------------------------------------------------


async def test_the_request_is_what_the_operator_wrote(
    machine: Machine, peer: HttpSocket
) -> None:
    on = {**put("on"), "headers": {"X-Hall": "four"}}
    async with opened(machine, f"{peer.base}/", on=on) as relay:
        await relay.set(Supply.ON)

    (heard,) = peer.heard
    assert (heard.method, heard.path) == ("PUT", "/outlet/1")
    assert heard.body == b'{"supply": "on"}'
    assert heard.headers["Content-Type"] == "application/json"
    assert heard.headers["X-Hall"] == "four"
    assert heard.headers["Host"] == f"127.0.0.1:{peer.port}"
    assert "Authorization" not in heard.headers


async def test_text_answers_by_regular_expression(
    machine: Machine, peer: HttpSocket
) -> None:
    table = {
        "on": {"url": "/plain/on", "expect": {"regex": r"SUPPLY ON\b"}},
        "off": {"url": "/plain/off", "expect": {"regex": r"SUPPLY OFF\b"}},
        "read": {
            "url": "/plain",
            "state": {"regex": r"SUPPLY (\w+)", "on": "ON", "off": "OFF"},
        },
    }
    async with opened(machine, peer.base, **table) as relay:
        for supply in (Supply.OFF, Supply.ON):
            await relay.set(supply)
            assert peer.on is (supply is Supply.ON)
            assert await relay.get() is supply
        peer.feel("other-state")
        with pytest.raises(Refused, match="does not match"):
            await relay.set(Supply.OFF)


async def test_a_name_is_looked_up(machine: Machine, peer: HttpSocket) -> None:
    async with opened(machine, f"http://localhost:{peer.port}", read=READ) as relay:
        await relay.set(Supply.OFF)
        assert await relay.get() is Supply.OFF


async def test_a_name_that_is_none(machine: Machine) -> None:
    """A label has 63 octets at most (RFC 1035, section 2.3.4)."""
    with pytest.raises(Unavailable, match="name is not known"):
        await make(machine, f"http://{'x' * 64}.example").open()


# --- the timer ----------------------------------------------------------------------------


async def test_the_timer_goes_with_off_and_is_refreshed(
    machine: Machine, peer: HttpSocket
) -> None:
    table = {"off": put("off", for_s="{seconds}"), "timer": "2min"}
    async with opened(machine, peer.base, **table) as relay:
        await relay.refresh()
        assert peer.heard == [], "nothing was told yet, and it cannot be asked"
        await relay.set(Supply.OFF)
        await relay.refresh()
        bodies = [heard.body for heard in peer.heard]
        assert bodies == [b'{"supply": "off", "for_s": 120}'] * 2
        await relay.set(Supply.ON)
        await relay.refresh()
        assert len(peer.heard) == 3
        assert peer.on


async def test_without_a_refresh_the_supply_comes_back(machine: Machine) -> None:
    table = {"off": put("off", for_s="{seconds}"), "timer": "10s"}
    with HttpSocket(second_s=0.02) as peer:
        async with opened(machine, peer.base, **table) as relay:
            await relay.set(Supply.OFF)
            assert await asyncio.to_thread(_comes_on, peer)


def _comes_on(peer: HttpSocket) -> bool:
    """Its timer is looked at, nothing is signalled."""
    deadline_s = time.monotonic() + 20
    while not peer.on and time.monotonic() < deadline_s:
        with peer.changed:
            peer.changed.wait(0.02)
    return peer.on


async def test_an_off_from_before_a_restart_is_refreshed(
    machine: Machine, peer: HttpSocket
) -> None:
    table = {"off": put("off", for_s="{seconds}"), "timer": "2min", "read": READ}
    peer.turn(on=False)
    async with opened(machine, peer.base, **table) as relay:
        await relay.refresh()
    assert [heard.method for heard in peer.heard] == ["GET", "PUT"]


async def test_an_on_that_failed_is_never_followed_by_a_refresh(
    machine: Machine, peer: HttpSocket
) -> None:
    table = {"off": put("off", for_s="{seconds}"), "timer": "2min"}
    async with opened(machine, peer.base, **table) as relay:
        await relay.set(Supply.OFF)
        peer.feel("error")
        with pytest.raises(Unavailable):
            await relay.set(Supply.ON)
        peer.feel("sound")
        peer.forget()
        await relay.refresh()
        assert peer.heard == []


async def test_a_hand_is_not_overruled_by_a_refresh(
    machine: Machine, peer: HttpSocket
) -> None:
    """Whether it shall be off again is for the core to say, not for the timer."""
    table = {"off": put("off", for_s="{seconds}"), "timer": "2min", "read": READ}
    async with opened(machine, peer.base, **table) as relay:
        await relay.set(Supply.OFF)
        peer.turn(on=True)
        await relay.refresh()
        assert peer.on
        peer.turn(on=False)
        peer.forget()
        await relay.refresh()
        assert [heard.method for heard in peer.heard] == ["GET", "PUT"]


# --- secrets ------------------------------------------------------------------------------


async def test_user_and_password(machine: Machine, tmp_path: Path) -> None:
    """UTF-8, and a colon in the password (RFC 7617, section 2)."""
    file = secret_file(tmp_path, f"curator:{PASSWORD}\n")
    with HttpSocket(user=f"curator:{PASSWORD}") as peer:
        async with opened(machine, peer.base, credentials=file) as relay:
            await relay.set(Supply.OFF)
        assert not peer.on


async def test_a_bearer_token(machine: Machine, tmp_path: Path) -> None:
    file = secret_file(tmp_path, "abc.DEF-123~+/==")
    with HttpSocket(token="abc.DEF-123~+/==") as peer:
        async with opened(machine, peer.base, credentials=file) as relay:
            await relay.set(Supply.OFF)
        assert not peer.on


@pytest.mark.parametrize(
    ("body", "sent"),
    [
        ('{"supply": "off", "password": "{password}"}', 'a\\"b&c'),
        ("supply=off&password={password}", "a%22b%26c"),
    ],
    ids=["json", "form"],
)
async def test_secrets_in_the_body_are_quoted_as_it_wants(
    machine: Machine, peer: HttpSocket, tmp_path: Path, body: str, sent: str
) -> None:
    file = secret_file(tmp_path, 'curator:a"b&c')
    off = {"method": "POST", "url": "/plain/off", "body": body}
    async with opened(machine, peer.base, credentials=file, off=off) as relay:
        await relay.set(Supply.OFF)
    assert sent in peer.heard[0].body.decode()
    assert "Authorization" not in peer.heard[0].headers


async def test_secrets_in_the_address_go_nowhere_else(
    machine: Machine, tmp_path: Path
) -> None:
    file = secret_file(tmp_path, f"curator:{PASSWORD}&x=y")
    query = "?user={user}&password={password}"
    table = {"on": {"url": f"/asked/on{query}"}, "off": {"url": f"/asked/off{query}"}}
    with HttpSocket(user=f"curator:{PASSWORD}&x=y") as peer:
        async with opened(machine, peer.base, credentials=file, **table) as relay:
            await relay.set(Supply.OFF)
        assert not peer.on
        assert "Authorization" not in peer.heard[0].headers


async def test_a_changed_password_is_read_again(
    machine: Machine, tmp_path: Path
) -> None:
    file = secret_file(tmp_path, "curator:old")
    with HttpSocket(user="curator:new") as peer:
        async with opened(machine, peer.base, credentials=file) as relay:
            with pytest.raises(Refused, match="401 to PUT /outlet/1"):
                await relay.set(Supply.OFF)
            secret_file(tmp_path, "curator:new")
            await relay.set(Supply.OFF)
            assert not peer.on


async def test_a_relay_that_was_shut_out_stays_closed(
    machine: Machine, tmp_path: Path
) -> None:
    file = secret_file(tmp_path, "curator:old")
    with HttpSocket(user="curator:new") as peer:
        async with opened(machine, peer.base, credentials=file) as relay:
            with pytest.raises(Refused, match="401"):
                await relay.set(Supply.OFF)
        with pytest.raises(Unavailable, match="not open"):
            await relay.set(Supply.OFF)


async def test_a_file_with_the_mark_and_ends_of_another_system(
    machine: Machine, tmp_path: Path
) -> None:
    file = secret_file(tmp_path, "\ufeffcurator:open sesame\r\n")
    with HttpSocket(user="curator:open sesame") as peer:
        async with opened(machine, peer.base, credentials=file) as relay:
            await relay.set(Supply.OFF)
        assert not peer.on


async def test_another_way_to_log_in_is_named(machine: Machine, tmp_path: Path) -> None:
    file = secret_file(tmp_path, "curator:x")
    with HttpSocket(user="curator:y", challenge="Digest realm=x, nonce=y") as peer:
        async with opened(machine, peer.base, credentials=file) as relay:
            with pytest.raises(Refused, match="Allow Basic or a bearer token"):
                await relay.set(Supply.OFF)


@pytest.mark.parametrize(
    ("text", "error"),
    [
        pytest.param("", Unsupported, id="empty"),
        pytest.param(":password", Unsupported, id="no user"),
        pytest.param("two words", Unsupported, id="a token with a blank"),
        pytest.param("curator:a\nanother:b", Unsupported, id="two lines"),
        pytest.param("curator:\x07", Unsupported, id="a bell"),
        pytest.param("x" * 5_000, Unsupported, id="too long"),
    ],
)
async def test_files_that_hold_no_credentials(
    machine: Machine, tmp_path: Path, text: str, error: type[BackendError]
) -> None:
    relay = make(machine, "http://127.0.0.1", credentials=secret_file(tmp_path, text))
    with pytest.raises(error, match="one line: user:password"):
        await relay.open()


async def test_a_place_that_the_file_does_not_fill(
    machine: Machine, tmp_path: Path
) -> None:
    file = secret_file(tmp_path, "just-a-token")
    on = {"url": "/asked/on?password={password}"}
    relay = make(machine, "http://127.0.0.1", credentials=file, on=on)
    with pytest.raises(Unsupported, match=r"nothing for \{password\}"):
        await relay.open()


async def test_what_a_person_should_know_is_said_once(
    machine: Machine, tmp_path: Path, peer: HttpSocket
) -> None:
    """A file that all may read is no reason to leave a supply off, but it is said."""
    file = secret_file(tmp_path, "curator:x", mode=0o644)
    relay = make(machine, peer.base, credentials=file)
    notes = []
    for _ in range(2):
        async with relay:
            notes += relay.take_notes()
    assert len(notes) == 3
    assert "chmod 600" in notes[0]
    assert "without TLS" in notes[1]
    assert "nothing returns the supply" in notes[2]


MOODS = (
    *("sound", "error", "missing", "busy", "elsewhere", "garbage", "echo"),
    *("not-json", "other-json", "other-state", "closes", "cut", "huge"),
)


@pytest.mark.parametrize(
    "text", ["curator:Swordfish-7", "Swordfish-7.token", 'curator:é"Swordfish 7']
)
async def test_no_secret_in_any_error(
    machine: Machine, tmp_path: Path, text: str
) -> None:
    """Not in its text, its repr, its chain, nor in what the relay shows of itself."""
    table: dict[str, Any] = {
        "credentials": secret_file(tmp_path, text),
        "read": {
            "url": "/outlet/1",
            # What comes after the secret's place would be quoted as the state.
            "state": {"regex": r"(?s)\?p=(.*)", "on": "ON", "off": "OFF"},
        },
    }
    table["read"]["url"] += "?p={password}" if ":" in text else "?p={token}"
    said: list[str] = []
    with HttpSocket() as peer:
        async with opened(machine, peer.base, **table) as relay:
            said += [repr(relay), str(relay.take_notes()), repr(vars(relay))]
            for mood in MOODS:
                peer.feel(mood)
                for call in (relay.set(Supply.OFF), relay.get()):
                    try:
                        await call
                    except BackendError as error:
                        said += [repr(error), *traceback.format_exception(error)]
        sent = peer.heard[0].headers["Authorization"].partition(" ")[2]
    everything = "".join(said)
    assert sent, "it was sent"
    assert len(said) > 20
    assert "(hidden)" in everything, "one of them was about to be quoted"
    assert "Swordfish" not in everything
    assert sent not in everything


def test_no_secret_in_the_rows_of_settings(tmp_path: Path) -> None:
    file = secret_file(tmp_path, "curator:Swordfish-7")
    table = {
        "kind": "http",
        "base": "https://socket.museum.example",
        "on": {"url": "/on?password={password}"},
        "off": {"url": "/off?password={password}"},
        "credentials": file,
    }
    station = {
        "gauge": {"kind": "sysfs"},
        "relay": table,
        "window": {"low": 55.0, "high": 65.0},
    }
    settings = from_tables({"station": {"lobby": station}}).stations["lobby"]
    row = canonical(without_secrets(settings))
    assert "https://socket.museum.example" in row
    assert "Swordfish" not in row


# --- an unfriendly peer -------------------------------------------------------------------


async def test_a_redirect_is_not_followed(machine: Machine, peer: HttpSocket) -> None:
    peer.feel("elsewhere")
    async with opened(machine, peer.base) as relay:
        with pytest.raises(Refused, match=r"302 .*not followed"):
            await relay.set(Supply.OFF)
    assert peer.followed == 0


@pytest.mark.parametrize("mood", ["drip", "held"])
async def test_the_limit_is_on_the_whole_call(
    machine: Machine, peer: HttpSocket, mood: str
) -> None:
    """A byte now and then does not make it longer."""
    peer.feel(mood)
    async with opened(machine, peer.base, limit="0.2s") as relay:
        began_s = time.monotonic()
        with pytest.raises(Unavailable, match=r"within 0\.2 s"):
            await relay.set(Supply.OFF)
        assert time.monotonic() - began_s < 10


async def test_it_takes_no_more_than_64_kib(machine: Machine, peer: HttpSocket) -> None:
    peer.feel("huge")
    async with opened(machine, peer.base) as relay:
        with pytest.raises(Malformed, match="more than 64 KiB"):
            await relay.set(Supply.OFF)


async def test_what_was_given_up_comes_before_what_follows(machine: Machine) -> None:
    """A socket that was busy all the time finds the off first, and then the on."""
    with RawPeer(accepts=False) as busy:
        base = f"http://127.0.0.1:{busy.port}"
        async with opened(machine, base, limit="0.2s") as relay:
            for supply in (Supply.OFF, Supply.ON):
                with pytest.raises(Unavailable, match="no whole answer"):
                    await relay.set(supply)
        found = [await asyncio.to_thread(busy.accept_late) for _ in range(2)]
    assert [b'"off"' in found[0], b'"on"' in found[1]] == [True, True]


async def test_what_was_not_sent_never_is(machine: Machine) -> None:
    """A call that is given up in the handshake has said nothing yet."""
    with RawPeer(accepts=False) as busy:
        base = f"https://127.0.0.1:{busy.port}"
        async with opened(machine, base, limit="0.2s") as relay:
            with pytest.raises(Unavailable, match="no whole answer"):
                await relay.set(Supply.OFF)
        assert (await asyncio.to_thread(busy.accept_late))[:1] == b"\x16", (
            "a hello only"
        )


async def test_what_the_kernel_still_holds_is_dropped(machine: Machine) -> None:
    """A window that is full keeps the end of the off here, which must not go later."""
    with RawPeer(accepts=False, window=1) as busy:
        off = {"method": "POST", "url": "/off", "body": "x" * 3_900 + "the end"}
        base = f"http://127.0.0.1:{busy.port}"
        async with opened(machine, base, off=off, limit="0.2s") as relay:
            with pytest.raises(Unavailable, match="no whole answer"):
                await relay.set(Supply.OFF)
        got = await asyncio.to_thread(busy.accept_late)
    assert got.startswith(b"POST /off")
    assert b"the end" not in got


@pytest.mark.parametrize("scheme", ["http", "https"])
async def test_a_call_may_be_given_up_at_any_moment(
    machine: Machine, scheme: str
) -> None:
    """After each round of the event loop once; nothing is left for the next call.

    The peer accepts nothing, so the next call has the descriptor of the one before.
    """
    with RawPeer(accepts=False, backlog=64) as busy:
        base = f"{scheme}://127.0.0.1:{busy.port}"
        async with opened(machine, base) as relay:
            for rounds in [*range(12), 20]:
                call = asyncio.ensure_future(relay.set(Supply.OFF))
                for _ in range(rounds):
                    await asyncio.sleep(0)
                assert not call.done()
                call.cancel()
                await asyncio.wait([call])


async def test_a_call_may_be_given_up_as_its_handshake_ends(
    machine: Machine,
    authority: trustme.CA,
    ca_file: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nothing is left that would hold the descriptor of the next call."""

    class Ending(ssl.SSLObject):
        def do_handshake(self) -> None:
            super().do_handshake()
            call.cancel()

    with HttpSocket(tls=serving(authority, "127.0.0.1")) as peer:
        async with opened(machine, peer.base, ca=ca_file) as relay:
            for _ in range(5):
                with monkeypatch.context() as during:
                    during.setattr(ssl.SSLContext, "sslobject_class", Ending)
                    call = asyncio.ensure_future(relay.set(Supply.OFF))
                    await asyncio.wait([call])
                assert call.cancelled()
                await relay.set(Supply.ON)
        assert {heard.body for heard in peer.heard} == {b'{"supply": "on"}'}


@pytest.mark.parametrize("scheme", ["http", "https"])
async def test_a_line_that_is_closed_ends_its_call(
    machine: Machine, scheme: str
) -> None:
    """What the shell does to a link that it cannot rely on any more."""
    with RawPeer() as silent:
        base = f"{scheme}://127.0.0.1:{silent.port}"
        async with opened(machine, base, limit="10s") as relay:
            call = asyncio.ensure_future(relay.set(Supply.OFF))
            assert await asyncio.to_thread(silent.hears)
            await machine.links.poison(f"http:{base}")
            with pytest.raises(Unavailable, match="closed the connection"):
                await call
            with pytest.raises(Unavailable, match="given up"):
                await relay.set(Supply.ON)


async def test_the_next_address_has_its_turn(peer: HttpSocket) -> None:
    """A name with two addresses, of which the first takes no connection."""
    with RawPeer(accepts=False, backlog=0) as deaf, socket.socket() as filler:
        filler.connect(("127.0.0.1", deaf.port))
        addresses = [("127.0.0.1", deaf.port), ("127.0.0.1", peer.port)]
        line = Line(tuple((socket.AF_INET, each) for each in addresses))
        terms = Terms(context=None, name="", limit_s=1.0, target="x")
        data = b"GET /plain HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
        said = await line.exchange(data, terms, _all_of_it)
    assert b"SUPPLY ON" in said


def _all_of_it(data: bytes, is_all: bool) -> bytes | None:
    return data if is_all else None


async def test_no_proxy_of_the_environment_is_asked(
    machine: Machine, peer: HttpSocket, monkeypatch: pytest.MonkeyPatch
) -> None:
    with RawPeer() as proxy:
        for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "https_proxy"):
            monkeypatch.setenv(name, f"http://127.0.0.1:{proxy.port}")
        monkeypatch.delenv("no_proxy", raising=False)
        async with opened(machine, peer.base) as relay:
            await relay.set(Supply.OFF)
        assert proxy.heard == b""
    assert not peer.on


async def test_calls_to_one_address_queue(machine: Machine, peer: HttpSocket) -> None:
    """A small socket serves one connection, so two stations take turns."""
    other = {"url": "/plain/on"}
    async with (
        opened(machine, peer.base) as first,
        opened(machine, peer.base, on=other) as second,
    ):
        peer.feel("held")
        calls = [asyncio.ensure_future(each.set(Supply.ON)) for each in (first, second)]
        assert await asyncio.to_thread(peer.hears)
        assert not await asyncio.to_thread(peer.hears, count=2, within_s=0.2)
        peer.feel("sound")
        await asyncio.gather(*calls)
    assert [heard.path for heard in peer.heard] == ["/outlet/1", "/plain/on"]


async def test_a_turn_that_does_not_come(machine: Machine, peer: HttpSocket) -> None:
    async with (
        opened(machine, peer.base) as first,
        opened(machine, peer.base, on={"url": "/plain/on"}, limit="0.2s") as second,
    ):
        peer.feel("held")
        call = asyncio.ensure_future(first.set(Supply.ON))
        assert await asyncio.to_thread(peer.hears)
        with pytest.raises(Unavailable, match="calls of other stations"):
            await second.set(Supply.ON)
        peer.feel("sound")
        await call


# --- TLS ----------------------------------------------------------------------------------

NAME = "lobby-socket.museum.example"


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def ca_file(authority: trustme.CA, tmp_path: Path) -> str:
    file = tmp_path / "ca.pem"
    authority.cert_pem.write_to_path(file)
    return str(file)


def serving(authority: trustme.CA, *names: str, **more: Any) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(*names, **more).configure_cert(context)
    return context


YESTERDAY = datetime.datetime.now(datetime.UTC) - datetime.timedelta(days=1)
LONG_AGO = YESTERDAY - datetime.timedelta(days=300)


@pytest.mark.parametrize(
    ("names", "dates", "trusts", "said"),
    [
        pytest.param(["127.0.0.1"], {}, False, "self.signed|local issuer", id="no ca"),
        pytest.param(["other.museum.example"], {}, True, "mismatch", id="another name"),
        pytest.param(
            ["127.0.0.1"],
            {"not_before": LONG_AGO, "not_after": YESTERDAY},
            True,
            "expired",
            id="expired",
        ),
    ],
)
async def test_a_certificate_that_is_not_trusted(
    machine: Machine,
    authority: trustme.CA,
    ca_file: str,
    names: list[str],
    dates: dict[str, Any],
    trusts: bool,
    said: str,
) -> None:
    table = {"ca": ca_file} if trusts else {}
    with HttpSocket(tls=serving(authority, *names, **dates)) as peer:
        async with opened(machine, peer.base, **table) as relay:
            with pytest.raises(Refused, match=f"not trusted: .*({said})"):
                await relay.set(Supply.OFF)
        assert peer.heard == []
        assert peer.on


async def test_a_certificate_for_a_name_reached_by_address(
    machine: Machine, authority: trustme.CA, ca_file: str
) -> None:
    with HttpSocket(tls=serving(authority, NAME)) as peer:
        async with opened(machine, peer.base, ca=ca_file, name=NAME) as relay:
            await relay.set(Supply.OFF)
        assert not peer.on


async def test_a_ca_that_was_changed_is_read_again(
    machine: Machine, authority: trustme.CA, ca_file: str
) -> None:
    trustme.CA().cert_pem.write_to_path(ca_file)
    with HttpSocket(tls=serving(authority, "127.0.0.1")) as peer:
        async with opened(machine, peer.base, ca=ca_file) as relay:
            with pytest.raises(Refused, match="not trusted"):
                await relay.set(Supply.OFF)
            authority.cert_pem.write_to_path(ca_file)
            await relay.set(Supply.OFF)
        assert not peer.on


async def test_a_client_certificate(
    machine: Machine, authority: trustme.CA, ca_file: str, tmp_path: Path
) -> None:
    context = serving(authority, "127.0.0.1")
    context.verify_mode = ssl.CERT_REQUIRED
    authority.configure_trust(context)
    own = authority.issue_cert("tidegate.museum.example")
    own.private_key_pem.write_to_path(tmp_path / "own.key")
    own.cert_chain_pems[0].write_to_path(tmp_path / "own.pem")
    shows = {
        "certificate": str(tmp_path / "own.pem"),
        "certificate_key": str(tmp_path / "own.key"),
    }
    with HttpSocket(tls=context) as peer:
        async with opened(machine, peer.base, ca=ca_file) as relay:
            with pytest.raises((Refused, Unavailable)):
                await relay.set(Supply.OFF)
        assert peer.on
        async with opened(machine, peer.base, ca=ca_file, **shows) as relay:
            await relay.set(Supply.OFF)
        assert not peer.on


async def test_https_to_a_socket_without_tls(
    machine: Machine, peer: HttpSocket
) -> None:
    base = peer.base.replace("http:", "https:")
    async with opened(machine, base) as relay:
        with pytest.raises((Malformed, Unavailable), match=r"TLS|closed"):
            await relay.set(Supply.OFF)


async def test_a_handshake_that_never_ends(machine: Machine) -> None:
    with RawPeer() as silent:
        async with opened(
            machine, f"https://127.0.0.1:{silent.port}", limit="0.2s"
        ) as relay:
            with pytest.raises(Unavailable, match=r"within 0\.2 s"):
                await relay.set(Supply.OFF)


@pytest.mark.parametrize(
    ("text", "error"),
    [(None, Unavailable), ("no certificate", Unsupported)],
    ids=["missing", "something else"],
)
async def test_a_ca_file_that_is_none(
    machine: Machine, tmp_path: Path, text: str | None, error: type[BackendError]
) -> None:
    file = tmp_path / "ca.pem"
    if text is not None:
        file.write_text(text)
    with pytest.raises(error, match=r"ca\.pem"):
        await make(machine, "https://127.0.0.1", ca=str(file)).open()
