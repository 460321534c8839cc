"""Orders: what to make of a picture. Names of order files, what they may say, and the prints that follow."""
