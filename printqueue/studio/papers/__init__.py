"""Papers, one YAML file each: what it may say (`schema`) and how it is read and reread (`loader`)."""
