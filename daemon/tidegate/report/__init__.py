"""Pages for people: one self-contained file each, readable offline and in print."""

from tidegate.report.page import write_report

__all__ = ["write_report"]
