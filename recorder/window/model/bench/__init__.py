"""The guided bench session as its page shows it."""
