"""Learning from phantoms how far the counts can be trusted: ``configs/counting.toml``.

lessons      what a batch found in exams whose truth is known
logistic     the odds of a yes, by weights        looks       which tracks are what they look like
finding      which objects are found              sureness    how sharp the numbers, how wide the interval, how trusted
learning     all of it from some lessons          __main__    the command
"""
