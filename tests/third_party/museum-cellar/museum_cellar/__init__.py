"""What can go wrong with somebody else's backends. The museum is invented."""
