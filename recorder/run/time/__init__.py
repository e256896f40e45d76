"""Device ticks to run time to UTC over a whole run. The clocks' arithmetic is `calibration`."""
