"""The sector: the part of the screen that holds echoes, a fan for a convex probe or a rectangle for a linear one.

sector             `find_sector`, `Sector`;  region_sector does the same for files that state their regions
screen_outline     what a plain screen leaves blank: a fan, or a window
echo_map           echoes on the screen as evidence;  sector_evidence scores a shape by it
fan, fan_fit       a convex probe's fan, and the search for the best one;  fan_search_grid tries one apex
linear_sector      a linear probe's rectangle or parallelogram, and the search for the best one
image_filters      local filters of grey pictures and masks
ruler              the ruler of ticks next to the sector
"""
