"""What touches disks: folders opened without following links, durable writes and renames, room, kinds of file systems."""
