"""The one file in conf.d that commands write: edited, checked, replaced as a whole.

Comments and order survive an edit. Readers see the file before or the file after:
rename(2) replaces it at once.
"""

from __future__ import annotations

import fcntl
import os
import stat
import tempfile
import time
import tomllib
from collections.abc import Iterable, Iterator, Mapping, MutableMapping
from contextlib import contextmanager, suppress
from copy import deepcopy
from pathlib import Path
from typing import Any, Final

from tidegate.cli.options import say
from tidegate.errors import Busy, NotPermitted, OrderRefused, SettingsError
from tidegate.settings.files import Document, locate, read, read_all
from tidegate.settings.load import Settings, from_documents
from tidegate.settings.problems import KeyPath

NAME: Final = "90-set.toml"
HEADER: Final = """\
# What `tidegate settings set` wrote. You may edit it; files after it in the order of
# their names win over it.
"""
UNSET: Final = object()
# Longer than a daemon takes for a reload; and whoever may read the folder can lock it.
HELD_LIMIT_S: Final = 120.0
_LOOK_AGAIN_S: Final = 0.1

Edit = tuple[KeyPath, Any]


class SetFile:
    """The file beside one main settings file."""

    def __init__(self, main: Path) -> None:
        self.main = main
        self.folder = main.parent / "conf.d"
        self.path = self.folder / NAME

    @contextmanager
    def held(self) -> Iterator[bool]:
        """Let nobody else edit it meanwhile; yields whether somebody did until now.

        Errors: NotPermitted; Busy where whoever holds it does not let go.
        """
        with _permitted(self.main.parent):
            descriptor = os.open(self.main.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            yield self._wait_for(descriptor)
        finally:
            os.close(descriptor)

    def _wait_for(self, descriptor: int) -> bool:
        folder, end_s = self.main.parent, time.monotonic() + HELD_LIMIT_S
        has_waited = False
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                if time.monotonic() >= end_s:
                    raise Busy(
                        "something has held its lock for "
                        f"{HELD_LIMIT_S:g} s, and nothing was changed",
                        target=str(folder),
                        remedy="lslocks shows the process; end it, or ask again later",
                    ) from error
            else:
                return has_waited
            if not has_waited:
                has_waited = True
                say(f"somebody else changes the settings in {folder}: waiting")
            time.sleep(_LOOK_AGAIN_S)

    def text(self) -> str | None:
        """Return what it says, ``None`` where there is none.

        Errors: SettingsError; OrderRefused where it is a link.
        """
        if not os.path.lexists(self.path):
            return None
        if self.path.is_symlink():
            # Replacing it would cut it off from whatever manages the file behind it.
            raise OrderRefused(
                f"{self.path} is a link to {os.path.realpath(self.path)}, so something "
                "else manages it",
                remedy="Change it there, or take the link away",
            )
        read(self.path)  # says in our own words what is wrong with it
        return self.path.read_bytes().decode("utf-8")

    def document(self, text: str) -> Document:
        """Return it as it would be read."""
        return Document(self.path, tomllib.loads(text), locate(text))

    def settings_with(self, text: str) -> Settings:
        """Return the settings as they would be with this text in it.

        Errors: SettingsError.
        """
        found = [each for each in read_all(self.main) if each.file != self.path]
        main, *others = found
        others.append(self.document(text))
        others.sort(key=lambda each: each.file.name)
        return from_documents((main, *others))

    # --- writing ----------------------------------------------------------------------

    def write(self, text: str | None) -> list[str]:
        """Replace it; ``None`` takes it away. Returns what is worth saying.

        Errors: NotPermitted, OrderRefused, OSError.
        """
        with _permitted(self.folder):
            if text is None:
                self.path.unlink(missing_ok=True)
                with suppress(OSError):
                    self.folder.rmdir()  # only if nothing is left in it
                return []
            self._make_folder()
            return self._replace(text.encode("utf-8"))

    def _make_folder(self) -> None:
        if not self.folder.is_dir():
            if os.path.lexists(self.folder):
                raise OrderRefused(
                    f"{self.folder} is no folder, and leads to none",
                    remedy="Take it away, or make it lead to a folder",
                )
            self.folder.mkdir()
            like = self.main.parent.stat()
            self.folder.chmod(like.st_mode & 0o777)
            _give(self.folder, like.st_uid, like.st_gid)

    def _replace(self, data: bytes) -> list[str]:
        like = self.main.stat()
        descriptor, name = tempfile.mkstemp(prefix=".set-", dir=self.folder)
        try:
            with os.fdopen(descriptor, "wb") as stream:
                # Owner first: changing it may take bits of the mode away, chown(2).
                is_given = _give(Path(name), like.st_uid, like.st_gid)
                os.fchmod(descriptor, like.st_mode & 0o666)
                if _shuts_out(os.fstat(descriptor), like):
                    raise NotPermitted(
                        f"{self.path} would be yours, and whoever reads {self.main} "
                        "could not read it",
                        remedy="Run it as root (sudo), or as the owner of the settings",
                    )
                stream.write(data)
                stream.flush()
                os.fsync(descriptor)
            Path(name).replace(self.path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
        folder = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
        said = f"{self.path} belongs to you, and not to the owner of {self.main}"
        return [] if is_given else [said]


def edited(text: str | None, edits: Iterable[Edit]) -> str:
    """Return the text of the file with keys set or unset.

    Errors: SettingsError where a key leads through a value, OrderRefused where one
    that is to be unset is not there.
    """
    import tomlkit

    before = HEADER if text is None else text
    document: Any = tomlkit.parse(before)
    wanted: dict[str, Any] = tomllib.loads(before)
    for path, value in edits:
        _edit(wanted, path, value)
        _edit(document, path, value)
        # Where tables and dotted keys of one table are mixed in it, an edit in place may
        # come out otherwise; then the file is written anew, without its comments.
        if _read_again(tomlkit.dumps(document)) != wanted:
            document = tomlkit.parse(HEADER + tomlkit.dumps(deepcopy(wanted)))
    return tomlkit.dumps(document).rstrip() + "\n"


def _read_again(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except ValueError:
        return None


def _edit(tables: MutableMapping[str, Any], path: KeyPath, value: Any) -> None:
    if value is UNSET:
        _take(tables, path, path)
    else:
        _put(tables, path, value)


def _put(tables: MutableMapping[str, Any], path: KeyPath, value: Any) -> None:
    is_plain = type(tables) is dict
    for key in path[:-1]:
        if key not in tables:
            tables[key] = {} if is_plain else _new_table()
        tables = tables[key]
        if not isinstance(tables, MutableMapping):
            raise SettingsError(
                f"{'.'.join(path)} leads through {key}, which holds a value in {NAME}",
                remedy=f"Unset {key} first",
            )
    tables[path[-1]] = deepcopy(value) if is_plain else _item(value)


def _new_table() -> Any:
    import tomlkit

    return tomlkit.table()


def _item(value: Any) -> Any:
    """Return a value as one line."""
    import tomlkit

    if not isinstance(value, Mapping):
        return tomlkit.item(value)
    table = tomlkit.inline_table()
    for key, inner in value.items():
        table[key] = _item(inner)
    return table


def _take(tables: MutableMapping[str, Any], path: KeyPath, full: KeyPath) -> None:
    key, *rest = path
    if not isinstance(tables, MutableMapping) or key not in tables:
        raise OrderRefused(
            f"{'.'.join(full)} is not set in {NAME}",
            remedy="tidegate settings show says which file sets it; only what was set "
            "with this command can be unset with it",
        )
    if rest:
        _take(tables[key], tuple(rest), full)
    if not rest or not tables[key]:
        del tables[key]


def _give(path: Path, uid: int, gid: int) -> bool:
    """Give a file to an owner and a group as far as we may; return whether it is."""
    for owner in (uid, -1):
        try:
            os.chown(path, owner, gid)
        except PermissionError:
            continue
        return owner == uid or path.stat().st_uid == uid
    return False


def _shuts_out(made: os.stat_result, like: os.stat_result) -> bool:
    """Return whether owner or group of the one may read it and not the other.

    The daemon would not start with a file that it cannot read.
    """
    mode, is_of_group = made.st_mode, made.st_gid == like.st_gid
    if mode & stat.S_IROTH:
        return False
    group_may = is_of_group and bool(mode & stat.S_IRGRP)
    group_lost = not is_of_group and bool(mode & stat.S_IRGRP)
    return group_lost or (made.st_uid != like.st_uid and not group_may)


@contextmanager
def _permitted(place: Path) -> Iterator[None]:
    try:
        yield
    except PermissionError as error:
        raise NotPermitted(
            f"you may not change the settings in {place}",
            remedy="Run it as root (sudo), or as the owner of the settings",
        ) from error
