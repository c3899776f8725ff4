"""Kinds are found by file name, then by entry point; failures name what to install.

The other distributions here are real ones to importlib.metadata: folders with a
dist-info beside their module, on the import path.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import tidegate
from tidegate.contract import GaugeSettings
from tidegate.errors import SettingsError, Unsupported
from tidegate.registry import GAUGES, RELAYS, Kinds, Provenance

THERMOS = """
from typing import Literal
from tidegate.contract import Backend, GaugeSettings

class Settings(GaugeSettings):
    kind: Literal["{kind}"] = "{kind}"

BACKEND = Backend(kind="{kind}", settings=Settings, make=lambda settings, host: None)
"""

Offer = Callable[..., None]


@pytest.fixture
def offer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Offer]:
    """Install a distribution that offers one kind of gauge."""
    before = set(sys.modules)

    def install(
        kind: str, source: str = THERMOS, *, name: str = "hall-sensors", attr: str = ""
    ) -> None:
        module = f"{name.replace('-', '_')}_{kind.replace('-', '_')}"
        site = tmp_path / name
        info = site / f"{name.replace('-', '_')}-1.2.dist-info"
        info.mkdir(parents=True)
        (site / f"{module}.py").write_text(source.replace("{kind}", kind))
        (info / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.2\n"
        )
        (info / "entry_points.txt").write_text(
            f"[tidegate.gauges]\n{kind} = {module}:{attr or 'BACKEND'}\n"
        )
        monkeypatch.syspath_prepend(str(site))

    yield install
    for module in set(sys.modules) - before:
        if module.startswith(("hall_sensors", "other_sensors")):
            del sys.modules[module]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A package of gauges found by file name, as ours is."""
    package = tmp_path / "hall_backends" / "gauges"
    package.mkdir(parents=True)
    (package.parent / "__init__.py").touch()
    (package / "__init__.py").touch()
    monkeypatch.syspath_prepend(str(tmp_path))
    yield package
    for module in [name for name in sys.modules if name.startswith("hall_backends")]:
        del sys.modules[module]


def kinds_of_hall() -> Kinds[object]:
    return Kinds(
        role="gauge",
        package="hall_backends.gauges",
        group="tidegate.gauges",
        base=GaugeSettings,
    )


def test_a_kind_of_ours_is_found_by_its_file_name() -> None:
    assert GAUGES.find("sysfs").kind == "sysfs"
    assert RELAYS.find("serial-frame").kind == "serial-frame"
    assert {"sysfs", "command"} <= set(GAUGES.known())
    assert {"serial-frame", "command"} <= set(RELAYS.known())


def test_hyphens_in_the_settings_are_underscores_in_the_file_name(
    folder: Path,
) -> None:
    (folder / "two_words.py").write_text(THERMOS.replace("{kind}", "two-words"))

    assert kinds_of_hall().find("two-words").kind == "two-words"
    assert "two-words" in kinds_of_hall().known()
    with pytest.raises(SettingsError):
        kinds_of_hall().find("two_words")


def test_only_the_named_kind_is_imported(folder: Path) -> None:
    (folder / "good.py").write_text(THERMOS.replace("{kind}", "good"))
    (folder / "bad.py").write_text("raise RuntimeError('imported')")

    assert kinds_of_hall().find("good").kind == "good"
    assert {"good", "bad"} <= set(kinds_of_hall().known())
    assert "hall_backends.gauges.bad" not in sys.modules


def test_an_entry_point_brings_a_kind_and_its_distribution(offer: Offer) -> None:
    offer("thermos")

    assert GAUGES.find("thermos").kind == "thermos"
    assert "thermos" in GAUGES.known()
    assert GAUGES.provenance("thermos") == Provenance("thermos", "hall-sensors", "1.2")
    assert GAUGES.passed_over("thermos") == ()


def test_the_distribution_of_our_kinds_is_tidegate() -> None:
    ours = Provenance("sysfs", "tidegate", tidegate.__version__)
    assert GAUGES.provenance("sysfs") == ours


def test_a_built_in_name_wins_with_a_warning(offer: Offer) -> None:
    offer("command")

    found = GAUGES.find("command")

    assert found.settings.__module__ == "tidegate_backends.gauges.command"
    assert GAUGES.passed_over("command") == (
        'gauge kind "command" of hall-sensors is not used: that of tidegate comes first',
    )


def test_of_two_distributions_the_first_by_name_is_used(offer: Offer) -> None:
    offer("thermos", name="other-sensors")
    offer("thermos", name="hall-sensors")

    assert GAUGES.provenance("thermos").distribution == "hall-sensors"
    assert GAUGES.find("thermos").settings.__module__ == "hall_sensors_thermos"
    assert GAUGES.passed_over("thermos") == (
        'gauge kind "thermos" of other-sensors is not used: that of hall-sensors '
        "comes first",
    )


def test_an_unknown_kind_names_the_nearest_and_all_known(offer: Offer) -> None:
    offer("thermos")

    with pytest.raises(SettingsError) as caught:
        GAUGES.find("thermo")

    assert 'no gauge kind "thermo"' in caught.value.what
    assert caught.value.remedy.startswith('Did you mean "thermos"?')
    assert '"sysfs"' in caught.value.remedy


@pytest.mark.parametrize(
    "kind", ["", "__init__", "../relays/command", "Sysfs", "wire.four-byte", "-", "é"]
)
def test_what_is_no_name_of_a_kind_is_not_imported(kind: str) -> None:
    with pytest.raises(SettingsError):
        GAUGES.find(kind)
    with pytest.raises(SettingsError):
        GAUGES.provenance(kind)


def test_a_missing_library_names_the_extra_and_the_command(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "wired.py").write_text("import serial.tools\n")
    monkeypatch.setitem(sys.modules, "serial", None)  # type: ignore[arg-type]

    with pytest.raises(Unsupported) as caught:
        kinds_of_hall().find("wired")

    assert str(caught.value) == (
        'gauge wired: the library "serial" is not installed, it comes with the extra '
        "\"serial\". Install it: pip install 'tidegate[serial]'"
    )


def test_a_missing_library_of_others_names_their_distribution(offer: Offer) -> None:
    offer("thermos", "import no_such_library_of_hall\n")

    with pytest.raises(Unsupported) as caught:
        GAUGES.find("thermos")

    assert '"no_such_library_of_hall" is not installed' in str(caught.value)
    assert caught.value.remedy.endswith("--force-reinstall hall-sensors")


@pytest.mark.parametrize(
    "source",
    [
        pytest.param("raise RuntimeError('wet\\nfeet')", id="raises"),
        pytest.param("def (", id="syntax"),
        pytest.param("OTHER = 1", id="no BACKEND"),
    ],
)
def test_a_backend_that_does_not_load_is_unsupported(offer: Offer, source: str) -> None:
    offer("thermos", source)

    with pytest.raises(Unsupported) as caught:
        GAUGES.find("thermos")

    assert "gauge thermos: the backend of hall-sensors" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_something_else_than_a_backend_is_unsupported(offer: Offer) -> None:
    offer("thermos", attr="Settings")

    with pytest.raises(Unsupported, match="something else than a backend"):
        GAUGES.find("thermos")


def test_a_backend_of_the_other_role_is_unsupported(offer: Offer) -> None:
    offer("thermos", THERMOS.replace("GaugeSettings", "BackendSettings"))

    with pytest.raises(Unsupported, match="something else than a backend for a gauge"):
        GAUGES.find("thermos")


def test_a_backend_that_calls_itself_otherwise_is_unsupported(offer: Offer) -> None:
    offer("thermos", THERMOS.replace("{kind}", "kettle"))

    with pytest.raises(Unsupported, match='calls itself "kettle"'):
        GAUGES.find("thermos")


def test_without_our_backends_the_others_are_still_there(offer: Offer) -> None:
    offer("thermos")
    bare: Kinds[object] = Kinds(
        role="gauge",
        package="no_such_backends.gauges",
        group="tidegate.gauges",
        base=GaugeSettings,
    )

    assert bare.find("thermos").kind == "thermos"
    assert "thermos" in bare.known()
