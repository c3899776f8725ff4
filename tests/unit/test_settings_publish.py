"""`[metrics]` and `[mqtt]`: what they take, and how they refuse the rest."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tidegate.errors import SettingsError
from tidegate.publish.part import published
from tidegate.settings import Settings, from_tables, load

STATION = {"lobby": {"gauge": {"kind": "twin"}}}
CONFIG = Path(__file__).parents[2] / "config"


def settings(**tables: Any) -> Settings:
    return from_tables({"station": STATION, **tables})


def test_all_of_it_is_off_by_default() -> None:
    assert published(settings()) == ()


def test_what_is_off_is_not_imported() -> None:
    """A process of its own asks for the parts of settings without these tables."""
    program = (
        "import sys\n"
        "from tidegate.service.parts import parts_of\n"
        "from tidegate.settings import from_tables\n"
        "station = {'lobby': {'gauge': {'kind': 'twin'}}}\n"
        "parts_of(from_tables({'station': station}))\n"
        "print([name for name in sys.modules if 'publish' in name or 'paho' in name])"
    )
    paths = os.pathsep.join(path for path in sys.path if path)
    said = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout
    assert said == "[]\n"


@pytest.mark.parametrize(
    ("tables", "names"),
    [
        ({"metrics": {"textfile": "/x/y.prom"}}, ["metrics", "metrics: textfile"]),
        ({"metrics": {"listen": "[::1]:9464"}}, ["metrics", "metrics: endpoint"]),
        ({"mqtt": {"broker": "broker.example"}}, ["metrics", "mqtt"]),
    ],
)
def test_each_is_switched_on_by_itself(
    tables: dict[str, Any], names: list[str]
) -> None:
    assert [part.name for part in published(settings(**tables))] == names


def test_the_example_has_the_defaults_that_it_shows() -> None:
    found = load(CONFIG / "metrics.toml")
    assert found.metrics.every_ms == settings().metrics.every_ms == 60_000
    assert found.mqtt.every_ms == settings().mqtt.every_ms == 60_000
    assert found.metrics.address == ("127.0.0.1", 9_464)
    assert found.mqtt.reached_port == 8_883


@pytest.mark.parametrize(
    ("table", "values", "words"),
    [
        ("metrics", {"textfile": "tidegate.prom"}, "allowed is a full path"),
        ("metrics", {"textfile": "/var/lib/x.txt"}, "ends in .prom"),
        ("metrics", {"every": "0s"}, 'allowed is "1s" to "1h"'),
        ("metrics", {"listen": "9464"}, '"127.0.0.1:9464"'),
        ("metrics", {"listen": "localhost:9464"}, "allowed is an address and a port"),
        ("metrics", {"listen": "127.0.0.1:0"}, "allowed is an address and a port"),
        ("metrics", {"listen": "127.0.0.1:65536"}, "an address and a port"),
        ("metrics", {"listen": "300.0.0.1:9464"}, "an address and a port"),
        ("metrics", {"listen": "0.0.0.0:9464"}, "which other machines reach"),
        ("metrics", {"listen": "[::]:9464"}, "listen_beyond_loopback = true"),
        ("metrics", {"listen_beyond_loopback": True}, "without listen"),
        ("mqtt", {"topic": "museum"}, "found topic without broker"),
        ("mqtt", {"broker": "b", "topic": "museum/#"}, "text of the form"),
        ("mqtt", {"broker": "b", "topic": "$SYS/x"}, "text of the form"),
        ("mqtt", {"broker": "b", "topic": "museum/"}, "text of the form"),
        ("mqtt", {"broker": "b", "port": 0}, "allowed is 1 or more"),
        ("mqtt", {"broker": "b", "every": "1s"}, 'allowed is "5s" to "1h"'),
        ("mqtt", {"broker": "b", "tls": False, "ca": "/ca.pem"}, "tls = false"),
        ("mqtt", {"broker": "b", "certificate_key": "/k"}, "without certificate"),
        ("mqtt", {"broker": "b", "credentials": "curator"}, "text of the form"),
        ("mqtt", {"broker": "b", "password": "x"}, "unknown key"),
    ],
)
def test_what_is_wrong_is_said(table: str, values: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingsError) as raised:
        settings(**{table: values})
    assert table in str(raised.value)
    assert words in str(raised.value)


def test_listening_for_others_takes_a_word_of_its_own() -> None:
    found = settings(metrics={"listen": "0.0.0.0:9464", "listen_beyond_loopback": True})
    assert found.metrics.address == ("0.0.0.0", 9_464)
