"""Files are found, laid over each other, and remembered line by line."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from time import process_time

import pytest

from tidegate.errors import SettingsError, SettingsMissing
from tidegate.settings import Settings, load
from tidegate.settings.files import Document, Tree, inherit, locate
from tidegate.settings.load import SYSTEM_FILE, main_file

STATION = """\
[station.whale]
gauge = { kind = "command", run = ["guide-battery"] }
relay = { kind = "serial-frame", port = "/dev/ttyUSB0", channel = 1 }
window = { low = 55, high = 65 }
"""
PLACES = """\
# A file with all shapes that keys can have.
[log]
path = "/a"

[defaults]
dwell.on = "5min"   # dotted
"poll" = "1min"
note = \"\"\"
[station.trap]
low = 1
\"\"\"

[station.whale]
gauge = { kind = "command", run = [
  "one",   # ] not the end
  "two",
] }
[ station . "coral" . window ]
'low' = 55
high=65
[[list]]
x = 1
[[list]]
x = 2
"""


def write(folder: Path, files: Mapping[str, str]) -> Path:
    for name, text in files.items():
        file = folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)
    return folder / "tidegate.toml"


def loaded(folder: Path, **files: str) -> Settings:
    """Load a main file and drop-ins; ``x_y`` is the file conf.d/x-y.toml."""
    named = {
        "tidegate.toml"
        if name == "main"
        else f"conf.d/{name.replace('_', '-')}.toml": text
        for name, text in files.items()
    }
    return load(write(folder, named))


@contextmanager
def unprivileged() -> Iterator[None]:
    """Root may read everything, so be somebody else for a while."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_the_line_of_every_key() -> None:
    assert locate(PLACES) == {
        ("log",): 2,
        ("log", "path"): 3,
        ("defaults",): 5,
        ("defaults", "dwell"): 6,
        ("defaults", "dwell", "on"): 6,
        ("defaults", "poll"): 7,
        ("defaults", "note"): 8,
        ("station",): 13,
        ("station", "whale"): 13,
        ("station", "whale", "gauge"): 14,
        ("station", "whale", "gauge", "kind"): 14,
        ("station", "whale", "gauge", "run"): 14,
        ("station", "coral"): 18,
        ("station", "coral", "window"): 18,
        ("station", "coral", "window", "low"): 19,
        ("station", "coral", "window", "high"): 20,
        ("list",): 21,
        ("list", "x"): 22,
    }


def test_lines_end_where_toml_says_and_nowhere_else() -> None:
    """A line separator of Unicode is text; a carriage return belongs to the end."""
    text = 'a = "one\u2028line"\r\nb = 1\r\n# \x85\r\nc = 2\r\n'

    assert locate(text) == {("a",): 1, ("b",): 2, ("c",): 4}


def test_a_named_file_comes_first(tmp_path: Path) -> None:
    environ = {"TIDEGATE_CONFIG": "/env.toml", "HOME": str(tmp_path)}

    assert main_file(Path("/named.toml"), environ)[0] == Path("/named.toml")


def test_then_the_environment_then_a_persons_place_then_the_system(
    tmp_path: Path,
) -> None:
    own = tmp_path / ".config/tidegate/tidegate.toml"
    elsewhere = tmp_path / "xdg/tidegate/tidegate.toml"
    home = {"HOME": str(tmp_path)}
    xdg = {**home, "XDG_CONFIG_HOME": str(tmp_path / "xdg")}

    assert main_file(None, home)[0] == SYSTEM_FILE
    for file in (own, elsewhere):
        file.parent.mkdir(parents=True)
        file.touch()
    assert main_file(None, home)[0] == own
    assert main_file(None, xdg)[0] == elsewhere
    assert main_file(None, {**xdg, "TIDEGATE_CONFIG": "/e.toml"})[0] == Path("/e.toml")
    assert main_file(None, {**xdg, "TIDEGATE_CONFIG": ""})[0] == elsewhere
    assert main_file(None, {})[0] == SYSTEM_FILE


def test_an_absent_file_says_who_named_it(tmp_path: Path) -> None:
    with pytest.raises(SettingsMissing, match="which TIDEGATE_CONFIG names"):
        load(environ={"TIDEGATE_CONFIG": str(tmp_path / "none.toml")})


def test_conf_d_is_laid_over_in_name_order_and_the_last_value_wins(
    tmp_path: Path,
) -> None:
    found = loaded(
        tmp_path,
        main=STATION + 'poll = "10s"\n',
        b="[station.whale]\nwindow = { high = 70 }\npoll = '20s'\n",
        a="[station.whale]\nwindow = { high = 75 }\npoll = '40s'\nsettle = '90s'\n",
    )
    whale = found.stations["whale"]

    assert whale.window is not None
    assert (whale.window.low_percent, whale.window.high_percent) == (55, 70)
    assert (whale.poll_ms, whale.settle_ms) == (20_000, 90_000)
    assert [file.name for file in found.files] == ["tidegate.toml", "a.toml", "b.toml"]
    places = {
        ".".join(key[2:]): f"{place.file.name}:{place.line}"
        for key, place in found.places.items()
        if key[:2] == ("station", "whale")
    }
    assert places["window.low"] == "tidegate.toml:4"
    assert places["window.high"] == "b.toml:2"
    assert places["settle"] == "a.toml:4"
    assert "budget" not in places


def test_conf_d_leaves_out_hidden_files_and_other_names(tmp_path: Path) -> None:
    write(tmp_path, {"tidegate.toml": STATION})
    write(tmp_path / "conf.d", {".#a.toml": "garbage", "README": "garbage"})

    assert len(load(tmp_path / "tidegate.toml").files) == 1


def test_a_station_may_stand_in_conf_d_alone(tmp_path: Path) -> None:
    found = loaded(tmp_path, main="[log]\npath = '/x'\n", whale=STATION)

    assert list(found.stations) == ["whale"]
    assert str(found.log.path) == "/x"


def test_defaults_hold_anything_a_station_may_say(tmp_path: Path) -> None:
    found = loaded(
        tmp_path,
        main="""\
[defaults]
gauge = { kind = "command", run = ["guide-battery"] }
relay = { kind = "serial-frame", port = "/dev/ttyUSB0", life = 5 }
window = { low = 50, high = 60 }
dwell.off = "7min"
[station.whale]
relay.channel = 1
[station.coral]
relay.channel = 2
window.high = 64
dwell.on = "9min"
""",
    )
    coral = found.stations["coral"]

    assert coral.relay is not None
    assert coral.window is not None
    assert str(coral.relay.target()) == "/dev/ttyUSB0#2"
    assert coral.relay.life == 5
    assert (coral.window.low_percent, coral.window.high_percent) == (50, 64)
    assert (coral.dwell.on_ms, coral.dwell.off_ms) == (540_000, 420_000)
    assert found.places["station", "coral", "window", "low"].line == 4
    assert found.places["station", "coral", "window", "high"].line == 10


def test_another_kind_or_sort_of_window_drops_the_keys_of_the_default(
    tmp_path: Path,
) -> None:
    found = loaded(
        tmp_path,
        main="""\
[defaults]
gauge = { kind = "command", run = ["guide-battery"] }
relay = { kind = "serial-frame", port = "/dev/ttyUSB0", life = 5 }
window = { low = 55, high = 65 }
[station.whale]
relay = { kind = "command", on = ["up"], off = ["down"] }
""",
    )
    whale = found.stations["whale"]

    assert whale.relay is not None
    assert (whale.relay.kind, whale.relay.life) == ("command", None)
    assert ("station", "whale", "relay", "port") not in found.places
    with pytest.raises(SettingsError, match="found hold with relay kind"):
        loaded(
            tmp_path,
            main=STATION,
            x="[defaults]\nwindow = { low = 1, high = 99 }\n"
            "[station.whale]\nwindow = { hold = 60 }\n",
        )


def test_a_default_window_does_not_reach_a_station_that_only_measures(
    tmp_path: Path,
) -> None:
    found = loaded(
        tmp_path,
        main="[defaults]\nwindow = { low = 55, high = 65 }\n"
        "[station.whale]\ngauge = { kind = 'command', run = ['x'] }\n",
    )

    assert not found.stations["whale"].controls
    assert found.stations["whale"].window is None
    assert "station whale: it has no relay, so it only measures" in found.warnings[0]


def test_a_fault_of_the_defaults_is_said_once_and_where_it_stands(
    tmp_path: Path,
) -> None:
    with pytest.raises(SettingsError) as caught:
        loaded(
            tmp_path,
            main=STATION,
            more="[defaults]\npoll = '9min'\n[station.coral]\n"
            "gauge = { kind = 'command', run = ['x'] }\n",
        )

    assert str(caught.value) == (
        f'{tmp_path}/conf.d/more.toml:2: defaults.poll: found "9min", '
        'allowed is "1s" to "2min"'
    )


def test_the_same_channel_twice_names_both_stations(tmp_path: Path) -> None:
    again = STATION.replace("whale", "coral")
    with pytest.raises(SettingsError) as caught:
        loaded(tmp_path, main=STATION, more=again)

    assert str(caught.value) == (
        f"{tmp_path}/conf.d/more.toml:3: station.coral.relay: found /dev/ttyUSB0#1, "
        "which station whale has too, allowed is a channel of its own for every station"
    )
    assert len(
        loaded(tmp_path, main=STATION, more=again.replace("channel = 1", "channel = 2")).stations
    ) == 2  # fmt: skip


def test_the_same_channel_under_two_names_of_the_port(tmp_path: Path) -> None:
    (tmp_path / "by-path").symlink_to("/dev/ttyUSB0")
    again = STATION.replace("whale", "coral")

    with pytest.raises(SettingsError, match="which station whale has too"):
        loaded(
            tmp_path,
            main=STATION,
            more=again.replace("/dev/ttyUSB0", str(tmp_path / "by-path")),
        )


def test_a_backend_that_cannot_load_stops_its_station_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = tmp_path / "site"
    info = site / "hall_kit-1.dist-info"
    write(
        site,
        {
            "hall_kit_gauge.py": "import no_such_library_of_hall",
            f"{info.name}/METADATA": "Metadata-Version: 2.1\nName: hall-kit\nVersion: 1\n",
            f"{info.name}/entry_points.txt": "[tidegate.gauges]\nhall = hall_kit_gauge:X\n",
        },
    )  # fmt: skip
    monkeypatch.syspath_prepend(str(site))

    found = loaded(
        tmp_path, main=STATION, b="[station.coral]\ngauge = { kind = 'hall' }\n"
    )

    assert list(found.stations) == ["whale"]
    assert "no_such_library_of_hall" in str(found.unsupported["coral"])


def said(file: Path) -> str:
    with pytest.raises(SettingsError) as caught:
        load(file)
    text = str(caught.value)
    assert "\n" not in text
    return text.removeprefix(str(file))


@pytest.mark.parametrize(
    ("data", "line"),
    [
        (b"\xff\xfe\x00garbage", ": this is not a text file (byte 0 is not UTF-8)"),
        (b"\x7fELF\x00\x01", ":1: this is not TOML: "),
        (b"[station.a]\n\npoll = \n", ":3: this is not TOML: invalid value"),
        (b"[station.a\n", ":1: this is not TOML: expected"),
        (b"a = 1\nb = 'x\n", ":2: this is not TOML: "),
        (b"a = 1\na = 2\n", ":2: this is not TOML: cannot overwrite a value"),
        (b"a = '''\nx\n", ":2: this is not TOML: "),
        (b"a = " + b"[" * 100_000, ": lists or tables are nested too deep"),
        (b"a = 1" + b"0" * 5_000, ":1: this is not TOML: "),
        (b"#" * (1 << 20) + b"#", ": this is larger than 1 MiB"),
        (b"", ": there is no station"),
        (b"station = 3", ":1: station: found 3, allowed is a table"),
        (b"defaults = 3", ":1: defaults: found 3, allowed is a table"),
        (b"[station]\na = 3", ":2: station.a: found 3, allowed is a table"),
        (b"log = 3\n" + STATION.encode(), ":1: log: found 3, allowed is a table"),
        (b"[stations.a]\n" + STATION.encode(), ":1: stations: unknown table"),
    ],
)
def test_one_plain_sentence_for_what_is_no_settings_file(
    tmp_path: Path, data: bytes, line: str
) -> None:
    file = tmp_path / "tidegate.toml"
    file.write_bytes(data)

    with pytest.raises(SettingsError) as caught:
        load(file)

    first = str(caught.value).splitlines()[0].removeprefix(str(file))
    if b"defaults" in data:
        first = str(caught.value).splitlines()[1].removeprefix(str(file))
    assert first.startswith(line)


def test_a_folder_is_not_a_file(tmp_path: Path) -> None:
    assert said(tmp_path).startswith(": this is a folder")


def test_endless_devices_are_not_read_to_their_end() -> None:
    assert said(Path("/dev/zero")).startswith(": this is larger than 1 MiB")


def test_a_folder_in_conf_d_and_a_link_to_nowhere(tmp_path: Path) -> None:
    file = write(tmp_path, {"tidegate.toml": STATION})
    (tmp_path / "conf.d/x.toml").mkdir(parents=True)
    with pytest.raises(SettingsError, match=r"x\.toml: this is a folder"):
        load(file)
    (tmp_path / "conf.d/x.toml").rmdir()
    (tmp_path / "conf.d/x.toml").symlink_to(tmp_path / "nowhere")
    with pytest.raises(SettingsError, match="leads to no file") as caught:
        load(file)
    # The settings are wrong then, not absent.
    assert not isinstance(caught.value, SettingsMissing)


def test_a_pipe_in_conf_d_is_not_waited_for(tmp_path: Path) -> None:
    """fifo(7): opening one to read waits until somebody writes."""
    file = write(tmp_path, {"tidegate.toml": STATION})
    (tmp_path / "conf.d").mkdir()
    os.mkfifo(tmp_path / "conf.d/x.toml")
    with pytest.raises(SettingsError, match=r"x\.toml: this is a pipe"):
        load(file)


def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    file = write(tmp_path, {"tidegate.toml": STATION})
    file.chmod(0)
    with unprivileged():
        text = said(file)

    assert text.startswith(": reading it is not permitted")


def test_a_path_through_a_file_leads_nowhere(tmp_path: Path) -> None:
    file = write(tmp_path, {"tidegate.toml": STATION})
    with pytest.raises(SettingsMissing):
        load(file / "x.toml")


def test_a_home_that_may_not_be_entered_is_passed_over(tmp_path: Path) -> None:
    own = tmp_path / "home/.config/tidegate/tidegate.toml"
    own.parent.mkdir(parents=True)
    own.touch()
    (tmp_path / "home").chmod(0)
    with unprivileged():
        file, _ = main_file(None, {"HOME": str(tmp_path / "home")})
    (tmp_path / "home").chmod(0o700)

    assert file == SYSTEM_FILE


def test_laying_files_over_each_other_is_not_quadratic() -> None:
    """2000 stations take some hundredths of a second, squared they took many."""
    tables = {
        "defaults": {"budget": {"per_day": 40}},
        "station": {
            f"guide-{number}": {"gauge": {"kind": "sysfs"}, "poll": "30s"}
            for number in range(2_000)
        },
    }
    tree = Tree()
    started = process_time()
    tree.lay(Document(Path("x"), tables, {}))
    inherit(tree)

    assert process_time() - started < 2
    assert tree.tables["station"]["guide-7"]["budget"] == {"per_day": 40}
