"""What came in: records against gaps, blocks and status, and against their own sentences."""
