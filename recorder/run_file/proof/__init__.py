"""What a sealed run file proves of itself: all that the seal made, made again and compared."""
