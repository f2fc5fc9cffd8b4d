"""The sector: the part of the screen that holds echoes, a fan for a convex probe or a rectangle for a linear one."""
