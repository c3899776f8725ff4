"""The faults that the daemon must survive: a check and at least one switch for each."""
