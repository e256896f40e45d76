"""What makes records and marks durable: keeper, mark register, the filer's supervisor."""
