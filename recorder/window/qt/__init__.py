"""The thin skin over the models; the only rooms that know Qt."""
