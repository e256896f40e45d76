"""The report of a trial: its sections, and everything of it into a folder. What programs read is
in ``data``, the chart roll and certificates are next door.
"""
