"""Physics: phantoms of gravid animals and the pictures a scanner would make of them."""
