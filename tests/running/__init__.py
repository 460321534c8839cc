"""The durable service, tested with real processes on real folders."""
