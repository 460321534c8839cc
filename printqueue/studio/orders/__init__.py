"""Orders: what to make of a picture. How order files are named, what they may say, and which prints result."""
