"""Every error that tidegate raises on purpose, each with a remedy for a person.

Translate once, at the seam where a foreign error appears, with ``raise ... from``.
Above that seam nobody catches ``OSError`` or a library's own class.
An optional value that is absent is ``None``, never an error.
"""

from __future__ import annotations


class TidegateError(Exception):
    """The root of our errors: one plain sentence and what to do about it."""

    def __init__(self, what: str, *, remedy: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.what}. {self.remedy}".strip() if self.remedy else self.what


class SettingsError(TidegateError):
    """The operator's file is wrong: names file, line, key, found and allowed."""


class SettingsMissing(SettingsError):
    """There is no settings file where one was named or looked for."""


class BackendError(TidegateError):
    """A gauge or a relay did not do what was asked; always names its target."""

    def __init__(self, what: str, *, target: str, remedy: str = "") -> None:
        super().__init__(f"{target}: {what}", remedy=remedy)
        self.target = target


class Unavailable(BackendError):
    """Not reachable now: unplugged, timed out, radio off. Try again later."""


class Refused(BackendError):
    """The peer understood and said no. Do not repeat blindly."""


class Malformed(BackendError):
    """The peer broke its protocol. Drop the link and open it again."""


class Unsupported(BackendError):
    """This machine or device cannot do it; names the missing part."""


class Busy(BackendError):
    """Another tidegate holds the device; says which."""


class LogError(TidegateError):
    """The cycle log cannot be written or read. Control goes on regardless."""


class LogAbsent(LogError):
    """There is no file where a cycle log was named."""


class LogUnreadable(LogError):
    """The file is no cycle log, a damaged one, or one that this tidegate cannot read."""


class LogEmpty(LogUnreadable):
    """There is nothing in the file yet: a daemon is just beginning it."""


class KeyRefused(TidegateError):
    """A signing key is not private to this user; says what to do about it."""


class DaemonAbsent(TidegateError):
    """No daemon answers on the control socket; says how to start it."""


class NotPermitted(TidegateError):
    """Whoever asks may not do this; says who may."""


class OrderRefused(TidegateError):
    """An order was understood and is not carried out; says why."""
