"""New settings for the running daemon: loaded whole, then taken station by station.

Settings that are wrong change nothing. A station that only gets other numbers takes
them while it runs; one whose gauge or relay is another goes out and comes in again.
All those go out before the first comes in, so that a channel may change hands.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final, TypeVar

from tidegate.assembly import plan_of
from tidegate.cyclelog.plain import canonical
from tidegate.cyclelog.rows import OperatorRow
from tidegate.errors import OrderRefused, TidegateError, Unsupported
from tidegate.service.parts import Reloadable
from tidegate.service.past import pasts
from tidegate.service.reloaded import Reloaded, args_of, left_behind
from tidegate.service.turnover import Out
from tidegate.settings import Settings, StationSettings
from tidegate.settings.changes import Steps, changed_tables, changes, steps
from tidegate.station.plan import Past

if TYPE_CHECKING:
    from tidegate.service.root import Service

T = TypeVar("T")

SIGNAL: Final = "SIGHUP"
OUT_FOR: Final = "new settings"
# A folder on a share that went away must not keep a reload for ever.
LOAD_LIMIT_S: Final = 20.0
_THREAD: Final = "settings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Who asks for a reload and what for.

    ``keys`` were just written to ``file``, which must be one that this daemon reads.
    """

    by: str
    keys: tuple[str, ...] = ()
    file: str | None = None


class Reload:
    """Reloads the settings of one service, one reload after the other."""

    def __init__(self, service: Service, load: Callable[[], Settings] | None) -> None:
        self._service = service
        self._load = load
        self._lock = asyncio.Lock()
        self._tasks: set[asyncio.Task[Any]] = set()
        # Whether a signal's reload has not begun yet: it reads what a later one would.
        self._signal_waits = False

    def hang_up(self) -> None:
        """Reload because of a signal: nobody waits, so it may wait for a station."""
        if not self._signal_waits:
            self._signal_waits = True
            self._spawn(self._of_signal())

    async def take(self, asked: Asked) -> Reloaded:
        """Reload now, or say why not. It goes on if the caller is cancelled.

        Errors: SettingsError, Unsupported where no station could run, OrderRefused.
        """
        return await asyncio.shield(self._spawn(self._taken(asked)))

    async def end(self) -> None:
        """Let no reload go on; no station is out any more."""
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks)

    def _spawn(self, work: Coroutine[Any, Any, Any]) -> asyncio.Task[Any]:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        # What may go wrong was said, and a caller who has left does not ask for it.
        error = None if task.cancelled() else task.exception()
        if error is not None and not isinstance(error, TidegateError):
            asyncio.get_running_loop().call_exception_handler(
                {"message": "reload", "exception": error}
            )

    async def _of_signal(self) -> None:
        try:
            await self._taken(Asked(by=SIGNAL), is_patient=True)
        except OrderRefused as error:
            self._service.log.warning("no reload", why=str(error))

    async def _taken(self, asked: Asked, *, is_patient: bool = False) -> Reloaded:
        while True:
            if is_patient:
                await self._until_all_are_in()
            async with self._lock:
                if is_patient and self._service.turnover.names:
                    continue
                if is_patient:
                    self._signal_waits = False
                self._check()
                self._tell("begins")
                try:
                    with self._service.turnover.only_for(OUT_FOR):
                        return await self._reloaded(asked)
                finally:
                    self._tell("over")

    async def _until_all_are_in(self) -> None:
        service = self._service
        await service.up()
        if out := service.turnover.names:
            service.log.warning("the reload waits", stations_out=out)
            await service.turnover.all_in()

    def _tell(self, what: str) -> None:
        for told in tuple(self._service.reloads):
            told(what)

    def _check(self) -> None:
        """Refuse what cannot be done now. Errors: OrderRefused."""
        service = self._service
        if service.is_ending or not service.is_up:
            doing = "stopping" if service.is_ending else "only just starting"
            raise OrderRefused(f"the daemon is {doing}", remedy="Ask again in 10 s")
        for name, why in service.turnover.names.items():
            raise OrderRefused(
                f"station {name} is out for {why}, and settings are not reloaded then",
                remedy="Reload them when that is over",
            )

    async def _reloaded(self, asked: Asked) -> Reloaded:
        service = self._service
        try:
            new = await self._loaded()
        except TidegateError as error:
            self._refused(asked, str(error))
            raise
        except Exception as error:
            # A fault of ours in a file that somebody else wrote: control goes on.
            said = f"reading them failed ({type(error).__name__}: {error})"
            service.log.error("the settings", exc_info=error)
            self._refused(asked, said)
            raise OrderRefused(
                said, remedy="Please report it with the traceback in the messages"
            ) from error
        self._check_is_read(asked, new)
        self._check()  # loading took its time
        service.settings_error = None
        return await self._applied(asked, service.settings, new)

    def _refused(self, asked: Asked, said: str) -> None:
        """Keep the settings that were right, and say so everywhere."""
        service = self._service
        if not asked.keys:
            # Else whoever wrote them puts the file back, and this was never so.
            service.settings_error = said
        service.log.error("reload refused, the settings before stay", error=said)
        self._write(asked, {"error": said})

    async def _loaded(self) -> Settings:
        """Load and validate in a thread of its own: files may hang, kinds be heavy."""
        if self._load is None:
            raise OrderRefused(
                "this daemon has its settings from no file", remedy="Start it anew"
            )
        try:
            async with asyncio.timeout(LOAD_LIMIT_S):
                new = await self._aside(self._load)
        except TimeoutError as error:
            raise OrderRefused(
                f"the settings could not be read within {LOAD_LIMIT_S:g} s",
                remedy="Look at the disk that they lie on",
            ) from error
        if not new.stations:
            raise Unsupported(
                "no station could run on this machine with these settings",
                target="tidegate",
                remedy=" ".join(str(why) for why in new.unsupported.values()),
            )
        return new

    async def _aside(self, work: Callable[[], T]) -> T:
        workers = self._service.machine.workers
        worker = workers.take(_THREAD, _THREAD)
        try:
            return await worker.call(work)
        finally:
            workers.give_back(_THREAD, _THREAD)

    def _check_is_read(self, asked: Asked, new: Settings) -> None:
        read = {str(file.resolve()) for file in new.files}
        if asked.file is not None and asked.file not in read:
            raise OrderRefused(
                f"the running daemon does not read {asked.file}, it reads "
                f"{', '.join(sorted(read))}",
                remedy="Name its settings file with --config",
            )

    # --- taking them ------------------------------------------------------------------

    async def _applied(self, asked: Asked, old: Settings, new: Settings) -> Reloaded:
        service = self._service
        told = changes(old, new)
        new, restart_for = self._without_what_needs_a_restart(old, new)
        todo = steps(old, new)
        known = {**old.stations, **new.stations}
        done = Reloaded(
            files=tuple(str(file) for file in new.files),
            changed=told,
            restart_for=restart_for,
            warnings=new.warnings,
            stations={name: todo.became(name, new) for name in known},
        )
        service.turnover.claim(todo.leave, why=OUT_FOR)
        try:
            self._write(asked, args_of(done))
            outs = await self._take_out(todo, new)
            done.left_behind |= left_behind(outs, new)
            service.settings = new
            self._renew(todo, new)
        finally:
            back = service.turnover.bring_back
            await asyncio.gather(*(back(name) for name in todo.leave))
        await self._add(todo, new)
        self._tell_parts()
        done.cannot |= self._cannot()
        self._say(done, asked)
        return done

    def _renew(self, todo: Steps, new: Settings) -> None:
        if self._service.is_ending:
            return  # they have stopped by then, and written their last state
        for name in todo.renew:
            self._service.stations[name].renew(plan_of(name, new.stations[name]))

    async def _take_out(self, todo: Steps, new: Settings) -> list[Out]:
        outs = await asyncio.gather(
            *(self._service.turnover.take_out(name) for name in todo.leave),
            return_exceptions=True,
        )
        taken: list[Out] = []
        for out in outs:
            if isinstance(out, BaseException):
                raise out
            out.settings = new.stations.get(out.name)
            taken.append(out)
        return taken

    async def _add(self, todo: Steps, new: Settings) -> None:
        """Start the new stations, and put all in the order of the settings."""
        service = self._service
        gone = {name: service.turnover.gone(name) for name in todo.add}
        unknown = [name for name, out in gone.items() if out is None]
        known = await self._pasts({name: new.stations[name] for name in unknown})
        turns = {name: turn for turn, name in enumerate(new.stations)}
        put_in = service.turnover.put_in
        await asyncio.gather(
            *(
                put_in(
                    name,
                    new.stations[name],
                    known[name] if out is None else out.past,
                    before=None if out is None else out.plan,
                    turn=turns[name],
                )
                for name, out in gone.items()
            )
        )
        for name in new.stations:
            if name in service.stations:
                service.stations[name] = service.stations.pop(name)

    async def _pasts(self, stations: Mapping[str, StationSettings]) -> dict[str, Past]:
        """Return what the log knows of stations of earlier runs, or of none."""
        service = self._service
        if not stations:
            return {}
        await service.commit()
        read = partial(
            pasts,
            service.settings.log.path,
            stations,
            boot_id=service.clock.boot_id(),
            log=service.log,
        )
        return await self._aside(read)

    def _cannot(self) -> dict[str, str]:
        service = self._service
        opened = {name: it.cannot for name, it in service.stations.items()}
        found = {**service.settings.unsupported, **opened}
        return {name: str(why) for name, why in found.items() if why is not None}

    def _without_what_needs_a_restart(
        self, old: Settings, new: Settings
    ) -> tuple[Settings, tuple[str, ...]]:
        """Return the settings with the old tables where nobody could take the new."""
        taken = {name for part in self._reloadable() for name in part.tables}
        kept = tuple(name for name in changed_tables(old, new) if name not in taken)
        return replace(new, **{name: getattr(old, name) for name in kept}), kept

    def _reloadable(self) -> list[Reloadable]:
        begun = self._service.parts_begun
        return [part for part in begun if isinstance(part, Reloadable)]

    def _tell_parts(self) -> None:
        for part in self._reloadable():
            try:
                part.settings_changed(self._service)
            except (TidegateError, OSError) as error:
                self._service.log.error(
                    "cannot take the new settings", part=part.name, error=str(error)
                )
            except Exception as error:
                # A fault of ours in a part: control goes on without its new settings.
                self._service.log.error(
                    "cannot take the new settings", part=part.name, exc_info=error
                )

    # --- what is said -----------------------------------------------------------------

    def _write(self, asked: Asked, args: Mapping[str, Any]) -> None:
        service = self._service
        told = {**args, "keys": list(asked.keys)} if asked.keys else dict(args)
        service.writer.append(
            OperatorRow(
                boot_ms=service.clock.boot_ms(),
                wall_ms=service.clock.wall_ms(),
                station="",
                action="set" if asked.keys else "reload",
                by=asked.by,
                because="",
                args=canonical(told),
            )
        )
        self._spawn(service.commit())

    def _say(self, done: Reloaded, asked: Asked) -> None:
        log = self._service.log
        log.info(
            "settings reloaded",
            by=asked.by,
            files=list(done.files),
            changed=[each.key for each in done.changed],
            stations=done.stations,
        )
        for text in done.warnings:
            log.warning("settings", says=text)
        for name, why in done.cannot.items():
            log.error("station cannot run", station=name, why=why)
        for name, why in done.left_behind.items():
            log.error("a relay is left behind", station=name, why=why)
        for name in done.restart_for:
            log.warning("restart the daemon for this table", table=name)
