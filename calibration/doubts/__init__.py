"""Which bench readings are to be doubted, and why: rows named, nothing changed. No figure."""
