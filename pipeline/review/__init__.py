"""Review of the batch's results: people's answers, what follows from them, and the server of the review pages.

Stored. Answers are entries of the journal (`pipeline.people`), never changed: exam, sequence (1, 2, 3, ... within the
exam), time, user, the answer, and the eggs and counts before and after it. Undo, redo, signing and reopening are
entries too.

Derived. An answer refers to an egg by its `segments`: tracks or parts of tracks. The first answer to a result saves its
`batch_snapshot`: which egg the batch made of which segments, and where they lay. `replay` applies the answers to the
current snapshot, without those that are undone (`undo`). If the batch has made another one since (new weights),
`track_mapping` finds the segments again by the overlap of their outlines; an answer whose segments are not found
becomes a question.

Counted. `corrections` turns the replayed answers into the inputs of the batch's own estimate (confirmed: existence 1;
rejected: its tracks are removed; merged; split; added: a track of its own; unusable: frames dropped). The rest is done
by `pipeline.estimate`, so without answers the counts, intervals and flags are the batch's own.

Served. `cases` reads results from the batch's store, `exam_review` computes how an exam stands, `answer_service`
accepts answers, `frame_cache` decodes frames, black outside the sector, `exam_document` builds what the page receives
(types in `document_models`), `event_text` describes answers, `signed_sheet` writes what was signed. `web` is the
server.

Checked. `shown_signature` says what the files of an exam show, `signature_files` brings them up to date with the
journal, `batch_with_signatures` does so before each batch, and `integrity` compares everything in an output folder.
"""
