"""The report of a trial: pages, tables, results. The chart roll and certificates are next door."""
