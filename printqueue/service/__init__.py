"""The service: what stands in ready/, whose turn it is, one picture's way, and what follows a kill."""
