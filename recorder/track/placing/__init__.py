"""Where the train was over a whole run, from wheel, posts and fixes. Live placing is in `live`."""
