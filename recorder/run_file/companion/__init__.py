"""What is added to a sealed run afterwards. The run file itself is never touched."""
