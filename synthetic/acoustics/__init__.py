"""From bodies to echoes: materials, beams, shells, shadows and what a plane meets."""
