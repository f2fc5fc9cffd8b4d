"""Physics: phantoms of gravid animals and the pictures a scanner would make of them.

``anatomy`` draws the animals, ``acoustics`` renders the echoes in a scan plane, ``appearance`` turns them into the grey
picture of a machine. ``training`` trains networks on such pictures, and ``film`` records clips with ground truth.
"""
