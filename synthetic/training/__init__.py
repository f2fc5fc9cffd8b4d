"""Training on phantoms: scenes, data sets, training runs and held-out figures."""
