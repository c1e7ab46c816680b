"""One meter: where it stands, why, and everything that it rests on."""
