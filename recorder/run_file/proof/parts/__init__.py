"""What a proof is, and the opened run that it is made of."""
