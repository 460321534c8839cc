"""Disk access: opening folders without following links, durable writes and renames, free space, file system types."""
