"""Tests of the demo team's tables and their known truth."""
