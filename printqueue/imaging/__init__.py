"""Pixels: decoding, colour, rendering, proof pictures, print files, lettering."""
