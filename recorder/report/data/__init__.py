"""The answer for programs: results.json, tables as CSV and Parquet. No pages."""
