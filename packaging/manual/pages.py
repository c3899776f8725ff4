"""One man page a command: what its --help says, in the order of man-pages(7)."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import click
import roff
from common import ENVIRONMENT, EXIT_CODES, FILES, FIRST_STEPS

from tidegate.report.cautions import CAUTIONS

_EXIT = "Exit code"
_WORD = re.compile(r"--?[A-Za-z][A-Za-z-]*")


def walk(group: click.Group) -> Iterator[click.Context]:
    """Return a context for the group and every command in it, nested ones too."""
    yield from _walk(
        click.Context(group, info_name=group.name, **group.context_settings)
    )


def _walk(ctx: click.Context) -> Iterator[click.Context]:
    yield ctx
    if isinstance(ctx.command, click.Group):
        for name in ctx.command.list_commands(ctx):
            command = ctx.command.get_command(ctx, name)
            assert command is not None, name
            if not command.hidden:
                yield from _walk(click.Context(command, info_name=name, parent=ctx))


@dataclass(slots=True)
class Help:
    """The text of a command, told apart."""

    first: str = ""
    prose: list[str] = field(default_factory=list)  # roff, in order
    examples: list[str] = field(default_factory=list)
    exit_code: str = ""


def told_apart(command: click.Command) -> Help:
    """Return the paragraphs of a command's help; those after a backspace stay as typed."""
    found = Help()
    text = inspect.cleandoc(command.help or "").split("\f")[0]
    for paragraph in filter(None, (each.strip("\n") for each in text.split("\n\n"))):
        kept = paragraph.startswith("\b")
        body = paragraph.lstrip("\b\n") if kept else paragraph
        if not found.first:
            found.first = " ".join(body.split())
        elif kept and "tidegate " in body:
            found.examples.append(body)
        elif kept:
            found.prose.append(roff.as_typed(body))
        elif body.startswith(_EXIT):
            found.exit_code = body
        else:
            found.prose.append(".PP\n" + roff.paragraphs(body))
    return found


def page(ctx: click.Context, *, version: str, date: str) -> str:
    """Return the man(7) source of one command's page."""
    command, said = ctx.command, told_apart(ctx.command)
    name = ctx.command_path.replace(" ", "-")
    top = ctx.parent is None
    epilog = " ".join((command.epilog or "").split())
    parts = [
        f'.TH {name.upper()} 1 {date} "tidegate {version}" "tidegate"\n.nh\n.ad l',
        roff.section("NAME", f"{roff.escaped(name)} \\- {_summary(said.first)}"),
        roff.section("SYNOPSIS", _synopsis(ctx)),
        roff.section(
            "DESCRIPTION",
            roff.line(said.first),
            *said.prose,
            ".PP\n" + roff.line(epilog) if epilog and not top else "",
        ),
        roff.section("OPTIONS", roff.terms(_options(ctx))),
        roff.section("COMMANDS", roff.terms(_commands(ctx))),
        roff.section("EXIT STATUS", *_exit_status(ctx, said.exit_code)),
        roff.section("ENVIRONMENT", _table(ENVIRONMENT) if top else ""),
        roff.section("FILES", _table(FILES) if top or _reads_files(ctx) else ""),
        roff.section("CAUTIONS", roff.paragraphs(*CAUTIONS)),
        roff.section(
            "EXAMPLES",
            *map(roff.as_typed, [FIRST_STEPS] if top else said.examples),
        ),
        roff.section("SEE ALSO", ",\n".join(_see_also(ctx))),
    ]
    return "\n".join(part for part in parts if part) + "\n"


def _summary(first: str) -> str:
    text = re.split(r"(?<=[.?])\s", first)[0].rstrip(".")
    return roff.escaped(text[:1].lower() + text[1:])


def _synopsis(ctx: click.Context) -> str:
    pieces = ctx.command.collect_usage_pieces(ctx)
    return f"{roff.bold(ctx.command_path)} {' '.join(map(roff.italic, pieces))}".strip()


def _options(ctx: click.Context) -> list[tuple[str, str]]:
    records = (each.get_help_record(ctx) for each in ctx.command.get_params(ctx))
    # An argument without a text of its own is explained in the description.
    return [(_term(record[0]), record[1]) for record in records if record and record[1]]


def _term(names: str) -> str:
    """Return `--days INTEGER` with the option bold and what it takes slanted."""
    found, last = "", 0
    for match in _WORD.finditer(names):
        found += _plain(names[last : match.start()]) + roff.bold(match[0])
        last = match.end()
    return found + _plain(names[last:])


def _plain(text: str) -> str:
    word = text.strip()
    return text if word in ("", ",", "/") else text.replace(word, roff.italic(word))


def _commands(ctx: click.Context) -> list[tuple[str, str]]:
    if not isinstance(ctx.command, click.Group):
        return []
    found = []
    for name in ctx.command.list_commands(ctx):
        command = ctx.command.get_command(ctx, name)
        assert command is not None, name
        if not command.hidden:
            own = click.Context(command, info_name=name, parent=ctx)
            found.append((_reference(own), told_apart(command).first))
    return found


def _exit_status(ctx: click.Context, said: str) -> list[str]:
    if ctx.parent is not None:
        own = [roff.paragraphs(said)] if said else []
        return [*own, ".PP", "All codes are told in\n.BR tidegate (1)."]
    codes = [(roff.bold(str(int(code))), text) for code, text in EXIT_CODES.items()]
    return [roff.terms(codes)]


def _table(rows: dict[str, str]) -> str:
    return roff.terms([(roff.bold(name), text) for name, text in rows.items()])


def _reads_files(ctx: click.Context) -> bool:
    return any(
        {"--config", "--log"} & set(each.opts) for each in ctx.command.get_params(ctx)
    )


def _reference(ctx: click.Context) -> str:
    return f"{roff.bold(ctx.command_path.replace(' ', '-'))}(1)"


def _see_also(ctx: click.Context) -> list[str]:
    """Return the page above, those below and, for a command, those beside."""
    found = [] if ctx.parent is None else [_reference(ctx.parent)]
    group = ctx if isinstance(ctx.command, click.Group) else ctx.parent
    assert group is not None
    assert isinstance(group.command, click.Group)
    for name in group.command.list_commands(group):
        command = group.command.get_command(group, name)
        assert command is not None, name
        if not command.hidden and command is not ctx.command:
            found.append(
                _reference(click.Context(command, info_name=name, parent=group))
            )
    return found
