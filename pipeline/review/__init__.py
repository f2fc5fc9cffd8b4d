"""The vet's page: a person's answers, what follows from them, and the server that shows it.

What is kept. `journal` is a SQLite file beside the batch's own (``reviews.sqlite``: the batch's can be made anew, this
one cannot). Every answer is one row that is only ever added: exam, sequence (1, 2, 3, ... within the exam), when, who,
the answer, and the eggs and figures before and after it. Undo, redo, signing and reopening are rows, too.

What is derived. `answers` has their kinds. An answer names an egg by its `segments`: tracks, or stretches of them. The
first answer to a result keeps its `census`: which egg the batch made of which segments, and where they lay. `state`
replays the answers over the present census. Where the batch has made another one since (a new model), `carrying` finds
the segments again by the overlap of their outlines; an answer whose segments are not found becomes a question.

What follows. `facts` turns the state into what the batch's estimate starts from (confirmed: existence 1; not an egg:
its tracks are gone; same: merged; two: parted; drawn: a track of its own; unusable: frames dropped), and
`pipeline.estimate` does the rest, so that counts, intervals and flags without any answer are the batch's own.

What is shown. `cases` reads a result from the batch's store; `frames` shows clips as the batch read them: black
outside the sector. `desk` takes answers, one at a time for each exam: an answer given in ignorance of another person's
answer about the same egg is handed back with that answer. `view`, `sayings` and `worklist` put it into words, `sheet`
keeps what was signed. `server` has the addresses (`page_routes`, `exam_routes`, `door`; `context` is what they
share, `pages` makes the pages, `serving` starts it all), `people` and `sessions` know who asks, `guard` keeps others
out: loopback only unless told; beyond it logins, roles and limits. Pages are made by ``templates/`` and ``static/``
(our own ES modules, no outside requests, no inline script or style).

What is learned. `labelled_frames` tells on which frames of signed exams people spoke of all they were asked about, and
what stays open there; `labels` writes them with their eggs as COCO and MOT; `label_folder` reads them back as pictures
to learn from.
"""
