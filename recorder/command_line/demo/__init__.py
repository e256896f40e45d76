"""The trial day of the demo: its crew, and its truth beside what the report states."""
