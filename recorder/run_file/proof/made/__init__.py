"""What the seal made of the records, made again: times, UTC, values, overviews."""
