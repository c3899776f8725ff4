"""`[control]`: its keys, its mistakes, and who only needs that table.

Sources: chmod(1) for octal modes; TOML 1.0.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tidegate.errors import SettingsError, SettingsMissing
from tidegate.settings import from_tables
from tidegate.settings.control_alone import control_alone
from tidegate.settings.table_control import ControlSettings

STATION = {"hall": {"gauge": {"kind": "twin"}}}


def loaded(**control: object) -> ControlSettings:
    return from_tables({"control": control, "station": STATION}).control


def test_without_the_table_the_socket_is_on_for_owner_and_group() -> None:
    control = from_tables({"station": STATION}).control
    assert control.enabled
    assert control.mode == "0660"
    assert control.socket is control.group is control.operators is None


@pytest.mark.parametrize("mode", ["0660", "660", "0600", "0666", "0777"])
def test_modes_that_let_the_daemon_in(mode: str) -> None:
    assert loaded(mode=mode).mode == mode


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("mode", "0066", 'control.mode: found "0066", allowed are three octal'),
        ("mode", "rw-rw----", "allowed are three octal digits"),
        ("mode", "0o660", "allowed are three octal digits"),
        ("mode", 660, "control.mode: found 660"),
        ("mode", "4660", "allowed are three octal digits"),
        ("socket", "control.sock", "allowed is a path from the root"),
        ("group", "no group", "allowed is the name of a group"),
        ("operators", "", "allowed is the name of a group"),
        ("enabled", "no", "control.enabled"),
        ("sockets", "x", 'did you mean "socket"?'),
    ],
)
def test_a_mistake_is_said_with_what_is_allowed(
    key: str, value: object, said: str
) -> None:
    with pytest.raises(SettingsError) as caught:
        loaded(**{key: value})
    assert said in str(caught.value)


def settings_file(folder: Path, text: str) -> Path:
    path = folder / "tidegate.toml"
    path.write_text(text)
    return path


def test_a_wrong_station_does_not_keep_anybody_from_ordering(tmp_path: Path) -> None:
    text = '[control]\nsocket = "/run/x.sock"\n[station.hall]\ngauge = "wrong"\n'
    found = control_alone(settings_file(tmp_path, text), environ={})
    assert found.socket == Path("/run/x.sock")


def test_files_laid_over_it_count(tmp_path: Path) -> None:
    main = settings_file(tmp_path, '[control]\nsocket = "/run/x.sock"\n')
    (tmp_path / "conf.d").mkdir()
    (tmp_path / "conf.d" / "50-site.toml").write_text('[control]\nmode = "0666"\n')
    found = control_alone(main, environ={})
    assert (found.socket, found.mode) == (Path("/run/x.sock"), "0666")


def test_no_file_at_all_means_the_defaults(tmp_path: Path) -> None:
    nobody = {"HOME": str(tmp_path)}
    if Path("/etc/tidegate/tidegate.toml").exists():
        pytest.skip("this machine has settings of its own")
    assert control_alone(environ=nobody) == ControlSettings()


def test_a_file_that_was_named_must_be_there(tmp_path: Path) -> None:
    with pytest.raises(SettingsMissing):
        control_alone(tmp_path / "absent.toml", environ={})
    with pytest.raises(SettingsMissing):
        control_alone(environ={"TIDEGATE_CONFIG": str(tmp_path / "absent.toml")})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[control]\nmode = "x"\n', ":2: control.mode: found"),
        ("control = 3\n", "is no table"),
        ("[control\n", "this is not TOML"),
    ],
)
def test_a_wrong_table_is_said(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SettingsError) as caught:
        control_alone(settings_file(tmp_path, text), environ={})
    assert said in str(caught.value)
