"""Intake: files in, set-aside rows put right, imports taken back, tables out."""
