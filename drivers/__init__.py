"""Bytes into blocks of raw counts: one module per wire protocol, one transport."""
