"""Learns from phantoms how far the stages, outlines and counts of one network can be trusted.

`pipeline.calibration_file` holds the result and its file; ``clutchlight calibrate`` runs all of it.

network_calibration        stage model, temperature and errors of outlines
count_calibration          all that the counts need, by cross-validation
training_exams             what the batch found in exams whose ground truth is known
detection_rate             which objects are found      likelihood_weights   which tracks are real
interval_and_confidence    temperature, interval and confidence of the counts
worlds_left_out            counts of animals unlike those that the counting was learned from
logistic_regression        penalised, by Newton's method
"""
