"""How good the program is: what a batch wrote, held against what is true."""
