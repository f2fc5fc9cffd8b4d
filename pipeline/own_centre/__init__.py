"""The whole way of a centre that teaches the network its own recordings, tried on invented animals.

    python -m pipeline.own_centre --out DIR

films animals that look like none the network knows (`synthetic.unseen`), runs the batch, lets `reader`, who knows the
truth, answer and sign on the vet's page as a careful person would, writes the labels, teaches the network further, and
measures it before and after: on labels of animals held back, and by the batch on other animals of that centre.
"""
