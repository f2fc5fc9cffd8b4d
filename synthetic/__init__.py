"""Synthetic ultrasound: phantoms of gravid turtles, and the pictures that a scanner would make of them.

anatomy : animals in three dimensions;  acoustics : from bodies to echoes along beams
appearance : from echoes to the picture of many machines
film : clips of a sweeping hand, with ground truth;  training : labelled pictures, and the network's training
"""
