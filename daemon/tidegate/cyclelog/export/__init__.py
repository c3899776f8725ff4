"""The cycle log for other programs: CSV, JSON Lines, Parquet, or a consistent copy."""
