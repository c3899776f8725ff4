"""What another window, dwell or supply would do to a station, from what was read of it."""
