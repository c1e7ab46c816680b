"""People: who may sign in, and who changed what."""
