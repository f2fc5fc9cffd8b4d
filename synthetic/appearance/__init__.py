"""From echoes to the picture of many machines: gain, grey maps, filters, overlays, noise and coding."""
