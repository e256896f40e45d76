"""What a certificate proves: its figures worked out again from what was measured."""
