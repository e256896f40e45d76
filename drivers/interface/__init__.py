"""What a driver is: records, faults, errors, settings, the registry. No bytes are read here."""
