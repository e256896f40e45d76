"""From counts to values, the one road; distance of a wheel; overviews of what came."""
