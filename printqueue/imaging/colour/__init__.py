"""Colour: reading and checking profiles, standard spaces, and the one manager that converts."""
