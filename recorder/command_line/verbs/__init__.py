"""One module a verb, each thin."""
