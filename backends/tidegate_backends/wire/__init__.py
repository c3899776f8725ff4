"""Wire protocols as pure functions between bytes and values."""
