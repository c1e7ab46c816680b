"""Riders: which meter each one rides, and how far its watts can be taken as they are."""
