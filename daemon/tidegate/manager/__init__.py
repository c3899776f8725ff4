"""The service manager and its journal, spoken to by their published protocols."""
