"""The demo: its trial day recorded, its crew, its truth beside the report; a ride and its score."""
