"""From the eggs of an exam to its estimate: counts, stages, sizes, confidence, change since earlier exams, and flags.

exam_estimate       the whole estimate of one exam
results             its types
candidates          which tracked objects are real
missed_eggs         how many eggs every pass missed, from the encounter_history of those that were found
lower_bound         how many objects one frame shows together
clutch_prior        the usual clutch of the species, as optional evidence
counts              count, interval and confidence, from all of these
stage_model         stage probabilities of each egg, from the stage_evidence and the clutch_shares
stages              the stage of each egg and of the clutch
egg_size_model      length and width of whole eggs, from the section_summary of each track; sizes applies it
egg_signs           signs of a shell in dB, mm and words
crossing_outlines   outlines that overlap more than those of separate eggs can
history             the exams of one animal together
flags               why a person should look at the exam
"""
