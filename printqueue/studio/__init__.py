"""What the photographer sets up: folders, studio.yaml, papers, orders, starter files."""
