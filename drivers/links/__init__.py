"""The ways bytes come in: serial ports, pseudo-terminals, TCP. Nothing is decoded here."""
