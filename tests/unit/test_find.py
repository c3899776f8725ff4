"""What walks the surveys: all at once, each bounded, none able to hold up another.

The kinds here are stand-ins, found as real ones are, each with a survey that behaves
in one way. They are of an invented museum; nothing of them is real.
"""

from __future__ import annotations

import sys
import threading
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tidegate.cli.find import exit_code
from tidegate.cli.found import as_document, as_text
from tidegate.contract import Found, GaugeSettings, RelaySettings, Target
from tidegate.errors import Busy
from tidegate.find import Source, State, Thing, look
from tidegate.host.locks import lock_target
from tidegate.registry import Kinds
from tidegate.settings import from_tables

COMMON = '''
"""An invented kind."""
import asyncio, threading
from typing import Literal
from tidegate.contract import Backend, Found, {base}, Target
from tidegate.errors import Refused, Unavailable, Unsupported

ASKED = []
GATE = threading.Event()

class Settings({base}):
    kind: Literal["{kind}"] = "{kind}"
    port: str = "/dev/hall"

    def target(self):
        return Target(self.port)

def usable(where="/dev/hall"):
    return Found(what="a lamp", where=where, table={"kind": "{kind}", "port": where})

async def survey(host, probe):
    ASKED.append(probe)
{body}

BACKEND = Backend(kind="{kind}", settings=Settings, make=lambda s, h: None, survey={survey})
'''

# What each survey does, indented as the body of it. `yield` comes first or never.
SURVEYS = {
    "quick": "yield usable()",
    "passed": """
yield Found(what="a mouse", where="/sys/mouse", why_not="a peripheral", remedy="None")
""",
    "waits": "yield usable(); await asyncio.Event().wait(); yield usable('/dev/late')",
    "blocks": "yield usable(); GATE.wait(60); yield usable('/dev/late')",
    "deaf": """
yield usable()
while not GATE.is_set():
    try:
        await asyncio.sleep(0.05)
    except asyncio.CancelledError:
        pass
""",
    "away": "yield usable(); raise Unavailable('radio off', target='hci0', remedy='Rise')",
    "refused": "raise Refused('not allowed', target='hci0', remedy='Ask'); yield usable()",
    "lacking": "raise Unsupported('no gpio here', target='x', remedy='Add'); yield usable()",
    "faulty": "yield usable(); yield usable('/dev/two'); 1 / 0",
    "leaves": "yield usable(); raise SystemExit(3)",
    "strange": "yield 'a lamp'; yield usable()",
    "twofold": """
yield usable()
yield Found(what="its lamp", where="/dev/hall", table={"kind": "lamp-only"})
yield Found(what="its battery", where="/dev/hall", table={"kind": "by-hand"})
""",
    "boastful": "yield Found(what='x', where='y', table={'kind': 'no-such-kind'})",
    "mistyped": "yield Found(what='x', where='y', table={'kind': 'mistyped', 'prt': 'a'})",
    "wordless": "yield Found(what='x', where='y', table={'kind': 'wordless', 'port': None})",
    "forged": """
yield Found(what="a lamp\\n    relay = {}\\x1b[2J\\u202e", where="/dev/\\x9bhall\\r",
    why_not="worn\\ud800\\tout", remedy="a\\u2028b")
yield usable("/dev/\\n\\x9b\\u202e\\u2028\\U000e0001\\"{}é")
""",
    "empty": "return; yield usable()",
}
LIMIT_S = 2.0


def write(
    package: Path, kind: str, body: str, base: str, survey: str = "survey"
) -> None:
    indented = "".join(f"    {line}\n" for line in body.strip().splitlines())
    text = COMMON
    for name, value in {
        "{base}": base, "{kind}": kind, "{survey}": survey, "{body}": indented
    }.items():  # fmt: skip
        text = text.replace(name, value)
    (package / f"{kind.replace('-', '_')}.py").write_text(text)


def module(package: str, kind: str) -> Any:
    return sys.modules[f"{package}.{kind.replace('-', '_')}"]


def kinds(role: Any, package: str) -> Kinds[Any]:
    base = GaugeSettings if role == "gauge" else RelaySettings
    return Kinds(role=role, package=package, group=f"nobody.{role}s", base=base)


def make_package(folder: Path, name: str) -> Path:
    package = folder / name
    package.mkdir()
    (package / "__init__.py").touch()
    return package


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Kinds[Any]]]:
    """Every stand-in as a gauge and one more as a relay."""
    folder = tmp_path_factory.mktemp("hall")
    gauges = make_package(folder, "hall_survey_gauges")
    for kind, body in SURVEYS.items():
        write(gauges, kind, body, "GaugeSettings")
    write(gauges, "by-hand", "yield usable()", "GaugeSettings", survey="None")
    (gauges / "unwired.py").write_text('"""Invented."""\nimport no_such_library\n')
    (gauges / "torn.py").write_text('"""Invented."""\n1 / 0\n')
    relays = make_package(folder, "hall_survey_relays")
    write(relays, "quick", SURVEYS["quick"], "RelaySettings")
    write(relays, "lamp-only", "yield usable()", "RelaySettings", survey="None")
    sys.path.insert(0, str(folder))
    yield {
        "gauge": kinds("gauge", "hall_survey_gauges"),
        "relay": kinds("relay", "hall_survey_relays"),
    }
    sys.path.remove(str(folder))
    for name in [name for name in sys.modules if name.startswith("hall_survey")]:
        del sys.modules[name]


@pytest.fixture(scope="module")
def looked(
    hall: dict[str, Kinds[Any]],
) -> Iterator[tuple[dict[str, Source], list[str]]]:
    """One search of them all; and the kinds in the order in which they were done."""
    order: list[str] = []
    sources = look(
        limit_s=LIMIT_S, roles=hall, said=lambda source: order.append(source.kind)
    )
    yield {f"{each.role} {each.kind}": each for each in sources}, order
    ended = [
        thread
        for thread in threading.enumerate()
        if thread.name.startswith("tidegate find")
    ]
    for kind in ("blocks", "deaf"):
        module("hall_survey_gauges", kind).GATE.set()
    for thread in ended:
        thread.join(timeout=20)
        assert not thread.is_alive(), thread.name


Looked = tuple[dict[str, Source], list[str]]


@pytest.mark.parametrize(
    ("kind", "state", "why", "found"),
    [
        ("quick", "searched", "", 1),
        ("passed", "searched", "", 1),
        ("empty", "searched", "", 0),
        ("forged", "searched", "", 2),
        ("waits", "cut", "given up after 2 s; what it found until then counts", 1),
        ("blocks", "cut", "given up after 2 s; what it found until then counts", 1),
        ("deaf", "cut", "given up after 2 s; what it found until then counts", 1),
        ("away", "failed", "hci0: radio off", 1),
        ("refused", "failed", "hci0: not allowed", 0),
        ("lacking", "missing", "x: no gpio here", 0),
        ("unwired", "missing", 'the library "no_such_library" is not installed', 0),
        ("torn", "missing", "the backend of tidegate does not load", 0),
        ("by-hand", "by_hand", "", 0),
        ("faulty", "broken", "its survey has a fault (ZeroDivisionError", 2),
        ("leaves", "broken", "its survey has a fault (SystemExit: 3)", 1),
        ("strange", "broken", "it yields str, not Found", 1),
        ("twofold", "searched", "", 3),
        ("boastful", "broken", "it offers the kind 'no-such-kind'", 0),
        ("mistyped", "broken", "does not load", 0),
        ("wordless", "broken", "None cannot be written in a settings file", 0),
    ],
)
def test_how_a_search_went(
    looked: Looked, kind: str, state: str, why: str, found: int
) -> None:
    source = looked[0][f"gauge {kind}"]

    assert source.state == state, source
    assert why in source.why
    assert len(source.things) == found
    assert bool(source.remedy) == (state not in ("searched", "by_hand"))


def test_one_that_is_slow_holds_up_nobody(looked: Looked) -> None:
    """Not even one that blocks its own event loop: the others are done before it."""
    sources, order = looked
    cut = [each.kind for each in sources.values() if each.state == "cut"]
    assert sorted(cut) == ["blocks", "deaf", "waits"]
    assert set(order[-3:]) == set(cut), order
    assert all(each.took_s <= LIMIT_S + 10 for each in sources.values())


def test_what_came_too_late_is_not_shown(looked: Looked) -> None:
    places = [t.found.where for each in looked[0].values() for t in each.things]
    assert "/dev/hall" in places
    assert "/dev/late" not in places


def test_a_remedy_names_what_to_install(looked: Looked) -> None:
    assert looked[0]["gauge unwired"].remedy.startswith("Install it: pip install")
    assert looked[0]["gauge waits"].remedy == "Look again with a longer --limit"


def test_nothing_is_probed_unless_asked_for(
    hall: dict[str, Kinds[Any]], looked: Looked
) -> None:
    assert module("hall_survey_gauges", "quick").ASKED == [None]


def test_every_line_to_paste_loads(looked: Looked) -> None:
    lines = [
        (each.kind, thing.line)
        for each in looked[0].values()
        for thing in each.things
        if thing.line
    ]
    assert ("quick", 'relay = { kind = "quick", port = "/dev/hall" }') in lines
    assert ("quick", 'gauge = { kind = "quick", port = "/dev/hall" }') in lines
    for _, line in lines:
        ((role, table),) = tomllib.loads(line).items()
        package = f"hall_survey_{role}s"
        assert module(package, table["kind"]).Settings.model_validate(table)


def test_what_a_device_calls_itself_passes_for_nothing_else(looked: Looked) -> None:
    """It may call itself anything: lines of ours, or what steers a terminal."""
    lamp, port = looked[0]["gauge forged"].things

    said = lamp.found
    assert said.what == "a lamp relay = {} [2J"
    assert (said.where, said.why_not, said.remedy) == ("/dev/ hall", "worn out", "a b")
    assert port.line is not None
    assert port.line.isprintable()
    name = '/dev/\n\x9b\u202e\u2028\U000e0001"{}é'
    assert tomllib.loads(port.line)["gauge"]["port"] == name
    text = as_text([looked[0]["gauge forged"]], width=None)
    assert "".join(text).isprintable()


def test_one_survey_may_serve_several_kinds(looked: Looked) -> None:
    things = looked[0]["gauge twofold"].things
    assert [(each.role, each.kind) for each in things] == [
        ("gauge", "twofold"),
        ("relay", "lamp-only"),
        ("gauge", "by-hand"),
    ]
    assert things[1].line == 'relay = { kind = "lamp-only" }'


# ---- probing


@pytest.fixture
def ports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder with a port under two names, and three kinds that may ask it."""
    monkeypatch.setenv("TIDEGATE_LOCKS", str(tmp_path / "locks"))
    (tmp_path / "port").touch()
    (tmp_path / "by-path").symlink_to(tmp_path / "port")
    package = make_package(tmp_path, "hall_probe_relays")
    monkeypatch.syspath_prepend(str(tmp_path))
    shows = f"""
if probe is None:
    yield usable({str(tmp_path / "by-path")!r})
else:
    yield Found(what="asked", where=probe, table={{"kind": "KIND", "port": probe}})
"""
    for kind in ("board", "line"):
        write(package, kind, shows.replace("KIND", kind), "RelaySettings")
    write(package, "lamp", "yield usable('/dev/other')", "RelaySettings")
    write(
        package,
        "lost",
        "raise Unavailable('x', target='y', remedy='z'); yield",
        "RelaySettings",
    )
    yield tmp_path
    for name in [name for name in sys.modules if name.startswith("hall_probe")]:
        del sys.modules[name]


def probe(folder: Path, port: str) -> dict[str, Source]:
    roles = {"relay": kinds("relay", "hall_probe_relays")}
    return {each.kind: each for each in look(limit_s=20, roles=roles, probe=port)}


def test_only_kinds_that_show_the_port_ask_it_by_the_name_they_know(
    ports: Path,
) -> None:
    found = probe(ports, str(ports / "port"))

    name = str(ports / "by-path")
    assert [t.found.what for t in found["board"].things] == ["asked"]
    assert [None, name] == module("hall_probe_relays", "board").ASKED
    assert [None, name] == module("hall_probe_relays", "line").ASKED
    assert module("hall_probe_relays", "lamp").ASKED == [None]
    assert found["lost"].state is State.FAILED


def test_a_port_that_nobody_shows_is_asked_by_all_that_can_search(ports: Path) -> None:
    probe(ports, "/dev/unheard-of")

    assert module("hall_probe_relays", "lamp").ASKED == [None, "/dev/unheard-of"]
    assert module("hall_probe_relays", "lost").ASKED == [None]


@pytest.mark.parametrize(
    ("name", "is_known"), [("port", True), ("by-path", True), ("\x1b[2Jport", False)]
)
def test_a_port_that_nobody_knows_is_told(
    ports: Path, name: str, is_known: bool
) -> None:
    for kind in ("board", "line"):
        write(
            ports / "hall_probe_relays",
            kind,
            f"yield usable({str(ports / 'by-path')!r})",
            "RelaySettings",
        )
    said: list[str] = []
    roles = {"relay": kinds("relay", "hall_probe_relays")}
    look(limit_s=20, roles=roles, probe=str(ports / name), warn=said.append)

    assert len(said) == (0 if is_known else 1)
    assert all("was not probed" in text and text.isprintable() for text in said)


def test_a_port_of_a_running_tidegate_is_not_probed(ports: Path) -> None:
    with (
        lock_target(Target(str(ports / "port"))),
        pytest.raises(Busy, match="in use by"),
    ):
        probe(ports, str(ports / "port"))
    assert "hall_probe_relays.board" not in sys.modules


# ---- what is printed


def thing(role: Any, kind: str, where: str, **more: Any) -> Thing:
    table = more.pop("table", {"kind": kind})
    return Thing(
        role=role,
        kind=kind,
        found=Found(what=more.pop("what", "a thing"), where=where, table=table, **more),
    )


def source(role: Any, kind: str, *things: Thing, **more: Any) -> Source:
    known = {"distribution": "tidegate", "state": State.SEARCHED}
    return Source(role=role, kind=kind, things=things, **(known | more))


MOUSE = thing(
    "gauge",
    "sysfs",
    "mouse_0",
    table=None,
    what="a battery",
    why_not="a peripheral's battery (scope Device)",
    remedy="Nothing to do",
)
BATTERY = thing(
    "gauge", "sysfs", "BAT0", what="a battery", table={"kind": "sysfs", "name": "BAT0"}
)
PORT = "/dev/serial/by-path/one"
FRAME = thing(
    "relay",
    "serial-frame",
    PORT,
    what="a serial port",
    table={"kind": "serial-frame", "port": PORT},
)
MODBUS = thing("relay", "modbus", PORT, what="a serial port")


def test_one_gauge_and_one_relay_make_a_station_that_loads() -> None:
    text = as_text(
        [
            source("gauge", "sysfs", MOUSE, BATTERY),
            source("relay", "serial-frame", FRAME),
        ],
        width=None,
    )

    assert text[0] == (
        "In reach: settings for 1 gauge and 1 relay. Nothing was switched."
    )
    first = text.index("[station.NAME]  # give it a name")
    settings = from_tables(tomllib.loads("\n".join(text[first : first + 4])))
    assert settings.stations["NAME"].gauge.kind == "sysfs"
    assert settings.stations["NAME"].relay is not None
    assert (
        "    not for gauge sysfs: a peripheral's battery (scope Device). Nothing to do."
    ) in text


def test_a_name_that_looks_like_a_template_stays_a_name() -> None:
    gauge = thing("gauge", "sysfs", "x", table={"kind": "sysfs", "name": "{relay}"})
    relay = thing("relay", "gpio", "y", table={"kind": "gpio", "line": "{gauge}"})
    lines = as_text(
        [source("gauge", "sysfs", gauge), source("relay", "gpio", relay)], width=60
    )
    pasted = lines[lines.index("[station.NAME]  # give it a name") :]
    assert pasted[1] == 'gauge = { kind = "sysfs", name = "{relay}" }'
    assert pasted[2] == 'relay = { kind = "gpio", line = "{gauge}" }'


def test_no_station_is_made_up_where_there_is_a_choice() -> None:
    sources = [
        source("gauge", "sysfs", BATTERY),
        source("relay", "serial-frame", FRAME),
        source("relay", "modbus", MODBUS),
    ]
    text = as_text(sources, width=None)

    assert not any(line.startswith("[station") for line in text)
    assert text[-1].startswith("Paste one gauge and one relay into a table")


def test_a_place_is_shown_once_with_a_line_for_each_kind() -> None:
    sources = [
        source("relay", "serial-frame", FRAME),
        source("relay", "modbus", MODBUS),
    ]
    text = as_text(sources, width=None)

    first = text.index("Serial ports")
    assert text[first : first + 4] == [
        "Serial ports",
        f"  {PORT}: a serial port",
        f'    relay = {{ kind = "serial-frame", port = "{PORT}" }}',
        '    relay = { kind = "modbus" }',
    ]


def test_what_is_to_be_noted_of_several_places_stands_once() -> None:
    lines = [
        thing("relay", "gpio", f"line {number}", remedy="See the manual")
        for number in range(3)
    ]
    other = thing("relay", "gpio", "line 9", remedy="Mind the gap")
    text = as_text([source("relay", "gpio", *lines, other)], width=None)

    assert text.count("  See the manual.") == 1
    assert text.index("    Mind the gap.") == text.index("  line 9: a thing") + 2


def test_nothing_in_reach_says_why() -> None:
    sources = [
        source("gauge", "sysfs", MOUSE),
        source("relay", "gpio", state=State.MISSING, why="no gpiod", remedy="Get it"),
        source("relay", "command", state=State.BY_HAND),
        source("relay", "hall-lamp", state=State.CUT, why="given up", remedy="Longer"),
    ]
    text = as_text(sources, width=None)

    assert text[0] == "Nothing is in reach that a station could use."
    assert "  relay gpio: no gpiod. Get it." in text
    assert text[-1] == (
        "No search of their own, see the examples that come with tidegate: relay command."
    )


def test_a_strangers_kind_has_a_group_of_its_own_at_the_end() -> None:
    lamp = thing("relay", "hall-lamp", "case 3")
    text = as_text(
        [source("relay", "hall-lamp", lamp), source("gauge", "sysfs", BATTERY)],
        width=None,
    )
    heads = [
        line for line in text if line and not line.startswith((" ", "In", "[", "#"))
    ]
    assert heads[:2] == ["Batteries of this machine", "Relay hall-lamp"]


@pytest.mark.parametrize("width", [40, 60, 100])
def test_words_are_broken_at_the_width_and_lines_to_paste_are_not(width: int) -> None:
    sources = [
        source("gauge", "sysfs", MOUSE, BATTERY),
        source("relay", "serial-frame", FRAME),
        source("relay", "gpio", state=State.MISSING, why="word " * 40, remedy="Get it"),
    ]
    for line in as_text(sources, width=width)[1:]:
        to_paste = line.strip().startswith(
            ("gauge =", "relay =", "window =", "[station")
        )
        assert to_paste or len(line) <= width, line


def test_the_document_says_all_of_it() -> None:
    document = as_document(
        [
            source("gauge", "sysfs", MOUSE, BATTERY, took_s=0.125),
            source("relay", "gpio", state=State.MISSING, why="no gpiod", remedy="Get"),
        ],
        ["a warning"],
    )
    assert document == {
        "found": [
            {
                "role": "gauge",
                "kind": "sysfs",
                "what": "a battery",
                "where": "mouse_0",
                "table": None,
                "why_not": "a peripheral's battery (scope Device)",
                "remedy": "Nothing to do",
            },
            {
                "role": "gauge",
                "kind": "sysfs",
                "what": "a battery",
                "where": "BAT0",
                "table": {"kind": "sysfs", "name": "BAT0"},
                "why_not": None,
                "remedy": None,
            },
        ],
        "sources": [
            {
                "role": "gauge",
                "kind": "sysfs",
                "distribution": "tidegate",
                "state": "searched",
                "why": None,
                "remedy": None,
                "took_s": 0.125,
            },
            {
                "role": "relay",
                "kind": "gpio",
                "distribution": "tidegate",
                "state": "missing",
                "why": "no gpiod",
                "remedy": "Get",
                "took_s": 0.0,
            },
        ],
        "warnings": ["a warning"],
    }


BUG = ZeroDivisionError("division by zero")


@pytest.mark.parametrize(
    ("sources", "code"),
    [
        pytest.param([source("gauge", "sysfs", BATTERY)], 0, id="usable"),
        pytest.param([source("gauge", "sysfs", MOUSE)], 69, id="nothing usable"),
        pytest.param([], 69, id="nothing"),
        pytest.param(
            [
                source("gauge", "sysfs", BATTERY),
                source("relay", "x", state=State.BROKEN, error=BUG, why="x"),
            ],
            70,
            id="a fault of ours",
        ),
        pytest.param(
            [
                source("gauge", "sysfs", BATTERY),
                source(
                    "relay", "x", distribution="hall-kit", state=State.BROKEN, error=BUG
                ),
            ],
            0,
            id="a fault of others",
        ),
    ],
)
def test_exit_codes(
    sources: list[Source], code: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TIDEGATE_DEBUG", "1")  # or a report of the fault is left behind
    assert exit_code(sources) == code
