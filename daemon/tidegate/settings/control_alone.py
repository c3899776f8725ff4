"""`[control]` of the operator's files by itself, for commands that only need that.

Whoever orders something of a running daemon must be able to while a station's table is
wrong, and need not be able to read the files at all.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from pydantic import ValidationError

from tidegate.errors import SettingsError, SettingsMissing
from tidegate.settings.files import Tree, read_all
from tidegate.settings.load import main_file
from tidegate.settings.table_control import ControlSettings
from tidegate.settings.wording import Validated


def control_alone(
    config: Path | None = None, *, environ: Mapping[str, str] | None = None
) -> ControlSettings:
    """Return the table, its defaults where no file is there or may be read.

    Errors: SettingsMissing for a file that was named, SettingsError for one that is
    no TOML or has a wrong table.
    """
    environ = os.environ if environ is None else environ
    main, named_by = main_file(config, environ)
    tree = Tree()
    try:
        for document in read_all(main, named_by=named_by):
            tree.lay(document)
    except SettingsError as error:
        is_named = config is not None or bool(environ.get("TIDEGATE_CONFIG"))
        unknown = isinstance(error, SettingsMissing) or isinstance(
            error.__cause__, PermissionError
        )
        if is_named or not unknown:
            raise
        return ControlSettings()
    return _of(tree)


def _of(tree: Tree) -> ControlSettings:
    values = tree.tables.get("control", {})
    if not isinstance(values, dict):
        raise SettingsError("[control] is no table in the settings")
    try:
        return ControlSettings.model_validate(values)
    except ValidationError as error:
        table = Validated(
            prefix=("control",), model=ControlSettings, values=values, tree=tree
        )
        said = [line for _, line in table.complaints(error.errors())]
        raise SettingsError("\n".join(said)) from error
