"""Verdicts: readings against the sheet, with uncertainty and decision rule. Boards measure, the service judges."""
