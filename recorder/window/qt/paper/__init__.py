"""The paper: strips, marks, profile of the line."""
