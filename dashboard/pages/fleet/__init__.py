"""Fleet: who is out, due, soon or unknown, why, and what to do next."""
