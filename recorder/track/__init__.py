"""Route, consist, and placing the train on the route, live and afterwards."""
