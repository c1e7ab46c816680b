"""The form of what is kept of a fit: a fit that an earlier form left in a store is made again."""

from models.fleet import KINDS

FORM = 11
"""Of what is kept of a fit: one more whenever a kept frame changes."""
MODEL = f"{FORM}," + ",".join(KINDS)
"""Names the model's form."""
