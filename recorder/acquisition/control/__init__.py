"""The control channel: server, requests, client, status, and where sessions are found."""
