"""Where the train was, from wheel, posts and fixes; live and afterwards."""
