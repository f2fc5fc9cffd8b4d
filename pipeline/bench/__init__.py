"""How good the program is: what a batch wrote, held against what is true.

truth         a data set with its truth on disk        egg_free      one that needs none: nothing is carried
found         what a batch found in its frames         matches       which detection answers for which object
strata        what figures are split by                doubt         whether stated doubt is honest
followed      tracks beside true objects, by frame     following     HOTA and IDF1
rivals        tracks of other libraries beside ours    count_cost    what following and counting cost
path_error    where the hand was along its sweep
double_counts eggs listed twice, and missed            baseline_counts  what would be counted otherwise
honesty       stated probability against what came true
false_alarms  eggs seen where there is none            counts        animals counted
risk          whether flags point at the wrong ones    figures       all of it for one data set
table         the same for people                      plots         and as curves
on_labels     networks before and after, on labels that neither was taught
healthy       small whole files of every kind          healthy_dicom DICOM among them
damage        how files come to harm                   fuzz          damaged files, read by the thousand
speed         reading timed against bare decoding      reading       all three
sectors       sectors found on known screens           machines      invented machines with those
blind         a detector that sees nothing
recorded      frames of recordings                     sheet         phantoms beside them, for the eye
"""
