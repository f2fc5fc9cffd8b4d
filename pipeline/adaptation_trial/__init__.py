"""A centre that adapts the network to its own recordings, simulated from end to end.

    python -m pipeline.adaptation_trial --out DIR

The trial films animals unlike any the network has learned from (`synthetic.film.unseen_animals`) and runs the batch. A
simulated reviewer, who knows the ground truth, answers and signs as a careful person would. The trial writes the
labels, trains the network further on them, and measures it before and after: on labels of animals held back, and by
the batch on other animals of that centre.
"""
