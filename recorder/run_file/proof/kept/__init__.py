"""What was written down beside the records: header, events, marks, certificates."""
