"""``python -m tidegate`` is the command ``tidegate``."""

from __future__ import annotations

from tidegate.cli.main import main

if __name__ == "__main__":
    main()
