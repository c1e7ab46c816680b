"""Rides: two recordings of one ride in, one number with its uncertainty out."""
