"""The daemon's half of the control socket: accepts, asks who it is, lets answer.

Hostile peers are expected: what one of them can hold or cost is bounded, and nobody
who is connected keeps others out. While nobody is, nothing runs: no timer, no task.
"""

from __future__ import annotations

import asyncio
import errno
import socket
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

from tidegate import notice
from tidegate.clock import Clock
from tidegate.control.bucket import Bucket, Buckets
from tidegate.control.peer import Peer, gid_of, group_name, peer_of, uid_of
from tidegate.control.protocol import WHERE, Gone, encoded, question
from tidegate.control.socket_file import SocketFile
from tidegate.control.talking import Talking, awaited, while_there
from tidegate.control.told import told
from tidegate.errors import (
    Busy,
    Malformed,
    NotPermitted,
    TidegateError,
    Unavailable,
    Unsupported,
)
from tidegate.settings.table_control import ControlSettings

# Engineering choices, all of them: far above what people and pages ask for.
PEERS_MOST: Final = 64
PEERS_OF_A_USER: Final = 16
ACCEPTS_AT_ONCE: Final = 32
ACCEPTS_PER_S: Final = 50.0
# Turning somebody away costs so much of a welcome. Those who wait to be accepted stand
# in one row, so those who are turned away must not hold up whoever is behind them.
AWAY_COSTS: Final = 0.1
QUESTIONS_AT_ONCE: Final = 40
QUESTIONS_PER_S: Final = 20.0
# Of one kind of nonsense so many messages, then one a minute, however much comes.
SAYINGS_AT_ONCE: Final = 5
SAYINGS_PER_S: Final = 1 / 60
# A connection without a question is closed after so long.
IDLE_LIMIT_S: Final = 30.0
# No more files, no memory: look again after so long.
REST_S: Final = 1.0
_SHORT_OF: Final = (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM)


class Talk(Protocol):
    """What a handler has of the peer that asked.

    A question (no order) is cancelled when its peer leaves. An order never is: it
    learns that from ``more`` and ``hear``.
    """

    peer: Peer

    async def more(self, document: Mapping[str, Any]) -> None:
        """Say one line of a stream. Errors: Gone, the peer left or does not read."""

    async def hear(self) -> Mapping[str, Any]:
        """Return the peer's next line. Errors: Gone, Malformed, Unsupported."""


Handler = Callable[[Mapping[str, Any], Talk], Awaitable[Mapping[str, Any]]]


@dataclass(frozen=True, slots=True)
class Ask:
    """What can be asked; ``orders``: only by an operator.

    The handler raises TidegateError for a no, which the peer gets as it is.
    """

    handler: Handler
    orders: bool = False


class Server:
    """Listens at one path and answers what is in its table."""

    def __init__(
        self,
        path: Path,
        *,
        settings: ControlSettings,
        asks: Mapping[str, Ask],
        clock: Clock,
        own_uid: int,
    ) -> None:
        self.path = path
        self.log = notice.logger()
        self._settings = settings
        self._asks = asks
        self._clock = clock
        self._own_uids = frozenset((0, own_uid))
        self._quiet = notice.Quiet(clock)
        self._sayings: dict[str, Bucket] = {}
        self._file: SocketFile | None = None
        self._operators_gid: int | None = None
        self._accepts = Bucket(burst=ACCEPTS_AT_ONCE, per_s=ACCEPTS_PER_S)
        self._paces = Buckets(burst=QUESTIONS_AT_ONCE, per_s=QUESTIONS_PER_S)
        self._talks: dict[asyncio.Task[None], Talking] = {}
        self._resting: asyncio.TimerHandle | None = None

    async def begin(self) -> None:
        """Listen. Errors: Busy, Unavailable."""
        self.listen()

    @property
    def is_in_place(self) -> bool:
        """Whether we listen, and the file to come by is still there."""
        return self._file is not None and self._file.is_in_place

    def listen(self) -> None:
        """Listen, or listen anew where the file was taken away; who is connected stays.

        Errors: Busy, Unavailable; all is then as before.
        """
        settings, old = self._settings, self._file
        if old is not None:
            new = old.again()
            self._deafen()
            old.leave()
        else:
            mode = int(settings.mode, 8)
            new = SocketFile(self.path, mode=mode, group=settings.group)
            try:
                self._operators_gid = self._operators(new.gid)
            except Unavailable:
                new.close()
                raise
        self._file = new
        self._listen()

    def _operators(self, owner_gid: int) -> int:
        named = self._settings.operators
        if named is None:
            return owner_gid
        gid = gid_of(named)
        if gid is None:
            raise Unavailable(
                f'there is no group "{named}"',
                target=str(self.path),
                remedy=f"Make it (groupadd --system {named}), or change `operators` "
                "in [control]",
            )
        return gid

    async def end(self) -> None:
        """Hang up on everybody and take the socket away."""
        if self._file is None:
            return
        self._deafen()
        file, self._file = self._file, None
        talks = set(self._talks)
        for talk in talks:
            talk.cancel()
        try:
            if talks:
                await asyncio.wait(talks)
        finally:
            file.close()

    # --- accepting --------------------------------------------------------------------

    def _listen(self) -> None:
        self._resting = None
        if self._file is not None:
            loop = asyncio.get_running_loop()
            loop.add_reader(self._file.listening.fileno(), self._came)

    def _deafen(self) -> None:
        assert self._file is not None
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._file.listening.fileno())
        if self._resting is not None:
            self._resting.cancel()
            self._resting = None

    def _rest(self, for_s: float) -> None:
        """Leave those who come to the kernel for a while; it costs us nothing."""
        self._deafen()
        loop = asyncio.get_running_loop()
        self._resting = loop.call_later(for_s, self._listen)

    def _came(self) -> None:
        assert self._file is not None
        loop = asyncio.get_running_loop()
        if (wait_s := self._accepts.wait_s(loop.time())) > 0:
            self._rest(wait_s)
            return
        try:
            connected, _ = self._file.listening.accept()
        except (BlockingIOError, ConnectionAbortedError):
            self._accepts.take(loop.time())
            return
        except OSError as error:
            self._accepts.take(loop.time())
            self._seldom("cannot accept", error=str(error))
            if error.errno in _SHORT_OF:
                self._rest(REST_S)
            return
        is_away = self._is_turned_away(connected)
        self._accepts.take(loop.time(), AWAY_COSTS if is_away else 1.0)
        if not is_away:
            self._welcome(connected)

    def _is_turned_away(self, connected: socket.socket) -> bool:
        try:
            uid = uid_of(connected)
        except OSError:
            connected.close()  # gone before we could look
            return True
        if not self._is_crowded(uid):
            return False
        self._seldom("too many connections", by=f"uid {uid}")
        _turn_away(connected)
        return True

    def _welcome(self, connected: socket.socket) -> None:
        try:
            peer = peer_of(connected)
        except OSError:
            connected.close()  # gone before we could look
            return
        talk = Talking(connected, peer)
        task = asyncio.get_running_loop().create_task(self._serve(talk))
        self._talks[task] = talk
        task.add_done_callback(self._left)

    def _is_crowded(self, uid: int) -> bool:
        of = Counter(talk.peer.uid for talk in self._talks.values())
        if of[uid] >= PEERS_OF_A_USER:
            return True
        # What strangers hold must not keep out those who can do something about it.
        return len(self._talks) >= PEERS_MOST and uid not in self._own_uids

    def _left(self, task: asyncio.Task[None]) -> None:
        del self._talks[task]

    # --- answering --------------------------------------------------------------------

    async def _serve(self, talk: Talking) -> None:
        """Answer one peer until they leave; nothing that happens here goes further."""
        try:
            try:
                await self._answer_all(talk)
            finally:
                await talk.close()
        except Gone:
            pass  # nobody is left to be told
        except Exception as error:  # noqa: BLE001 - control goes on, whatever this is
            self._bug("control socket", error)

    async def _answer_all(self, talk: Talking) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                async with asyncio.timeout(IDLE_LIMIT_S):
                    line = await talk.line()
                asked, arguments = question(line)
            except TimeoutError:
                return
            except (Malformed, Unsupported) as error:
                # Whoever says this says more of it: once, and hang up.
                self._seldom("not understood", by=talk.peer.name, error=error.what)
                await talk.say({"error": told(error)})
                return
            if wait_s := self._paces.take(talk.peer.uid, loop.time()):
                await asyncio.sleep(wait_s)
            await talk.say(await self._answer(asked, arguments, talk))

    async def _answer(
        self, asked: str, arguments: Mapping[str, Any], talk: Talking
    ) -> Mapping[str, Any]:
        try:
            ask = self._asks.get(asked)
            if ask is None:
                raise _unknown(asked, self._asks)
            if ask.orders:
                self._check_operator(talk.peer)
                answer = await awaited(ask.handler(arguments, talk))
            else:
                answer = await while_there(ask.handler(arguments, talk), talk)
            encoded(answer)
        except TidegateError as error:
            return {"error": told(error)}
        except Gone:
            raise
        except Exception as error:  # noqa: BLE001 - a bug of one question
            self._bug(f"question {asked}", error)
            return {"error": told(_fault(error))}
        return {"answer": answer}

    def _check_operator(self, peer: Peer) -> None:
        gid = self._operators_gid
        if peer.uid in self._own_uids or gid in peer.gids:
            return
        assert gid is not None
        group = group_name(gid)
        remedy = "Be root"
        if gid != 0:  # nobody is told to join the group of root
            remedy = (
                f"Be root, or become a member: usermod -aG {group} NAME, then log in "
                "anew"
            )
        raise NotPermitted(
            f'{peer.name} may ask but not order here; members of the group "{group}" '
            "may",
            remedy=remedy,
        )

    # --- saying -----------------------------------------------------------------------

    def _seldom(self, what: str, **more: object) -> None:
        count, now_s = self._quiet.count("control", what), self._clock.boot_ms() / 1_000
        bucket = self._sayings.setdefault(
            what, Bucket(burst=SAYINGS_AT_ONCE, per_s=SAYINGS_PER_S)
        )
        if count and not bucket.wait_s(now_s):
            bucket.take(now_s)
            self.log.warning("control socket", what=what, count=count, **more)

    def _bug(self, what: str, error: Exception) -> None:
        if count := self._quiet.count("control", f"bug {what} {type(error).__name__}"):
            trace = error if count == 1 else None
            self.log.error(
                "internal fault",
                what=what,
                error=repr(error),
                count=count,
                exc_info=trace,
            )


_NO_ROOM: Final = encoded(
    {
        "error": told(
            Busy(
                "too many connections of this user, or of all",
                target=WHERE,
                remedy="Close some, or ask again in a moment",
            )
        )
    }
)


def _turn_away(connected: socket.socket) -> None:
    """Say that there is no room, if that goes at once, and hang up."""
    connected.setblocking(False)  # noqa: FBT003
    try:
        connected.send(_NO_ROOM)
    except OSError:
        pass
    finally:
        connected.close()


def _unknown(asked: str, known: Mapping[str, Ask]) -> Unsupported:
    return Unsupported(
        f"this daemon cannot be asked {asked[:40]!r}, only {', '.join(sorted(known))}",
        target=WHERE,
        remedy="Use the same tidegate for the daemon and for its commands",
    )


def _fault(error: Exception) -> TidegateError:
    return TidegateError(
        f"this is a fault in tidegate ({type(error).__name__})",
        remedy="Please report it; the daemon's messages hold its traceback",
    )
