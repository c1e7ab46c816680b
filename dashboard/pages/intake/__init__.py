"""Intake: files in, what was set aside corrected, imports taken back, tables out."""
