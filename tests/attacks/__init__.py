"""Attacks on the product, bounded; the short ones run as tests, the others by hand."""
