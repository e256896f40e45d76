"""Files written whole or not at all, their names on the disk; plain databases. What is in them is
the writer's."""
