"""The published models that an account asks, in the order in which they are shown."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from tidegate.wear.model import Model
from tidegate.wear.models.kokam_nmc import KokamNmc
from tidegate.wear.models.naumann_lfp import NaumannLfp
from tidegate.wear.models.nca_keil_preger import NcaKeilPreger
from tidegate.wear.models.schmalstieg2014 import Schmalstieg2014
from tidegate.wear.models.xu2016 import Xu2016

MODELS: Final[Mapping[str, Model]] = MappingProxyType(
    {
        model.name: model
        for model in (
            Schmalstieg2014(),
            NcaKeilPreger(),
            KokamNmc(),
            Xu2016(),
            NaumannLfp(),
        )
    }
)
