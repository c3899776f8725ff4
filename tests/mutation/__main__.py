"""Prints each deliberate bug and the test that finds it (``python -m mutation``)."""

from __future__ import annotations

import sys

from mutation.table import FAMILIES

for family, mutants in FAMILIES.items():
    sys.stdout.write(f"\n{family} ({len(mutants)})\n")
    for mutant in mutants:
        sys.stdout.write(f"  {mutant.name:36} {mutant.bug}\n{'':39}{mutant.found_by}\n")
