"""The service: what waits in ready/, what goes next, how one picture is processed, and recovery after a kill."""
