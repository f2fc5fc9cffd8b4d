"""Training on phantoms: labelled pictures, training runs, fine-tuning on a centre's labels, and held-out metrics.

``scenes`` draws scanners, planes and views; ``dataset`` renders batches of labelled pictures from them.
``training_run`` trains on them, on the devices that ``training_device`` chooses, and keeps a ``training_log``.
``fine_tuning`` mixes them with ``labelled_pictures`` of real frames. ``held_out_metrics`` and ``strata`` measure
networks. ``contact_sheet`` shows the pictures to people; ``speed`` times them. ``augmentation_library`` is the only
module that imports albumentations.
"""
