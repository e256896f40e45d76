"""Files written whole or not at all, their names on the disk. What is in them is the writer's."""
