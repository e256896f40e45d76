"""Route, consist, and placing the train on the route."""
