"""From a file in ready/ to a private copy: seen, settled, claimed. Events only wake the scan."""
