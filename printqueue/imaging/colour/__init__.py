"""Colour: profiles read and checked, standard spaces, and the one manager that converts."""
