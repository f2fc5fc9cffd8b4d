"""The learned part: tensors in, tensors out. It knows neither exam files nor phantoms.

Frames to ellipses: ``weights_file`` reads the network's tensors; ``openvino_graph`` (without torch) and ``network`` are
the network; an ``engine`` runs it, which ``runtime`` makes: ``openvino_engine``, ``gpu_engine`` or ``torch_engine``,
the reference; ``network_work`` counts its operations. ``output_channels`` says what each of its channels means,
``decode`` turns them into ellipses with scores. Ellipses: ``ellipse`` (numpy, without torch), ``ellipse_tensors``,
``ellipsoid`` and ``gaussian_distance`` (torch), ``outline_matching``, ``average_precision``; ``contrast`` measures how
far they stand out of a picture.
Training: ``targets``, ``losses``, ``imitation`` of another network, ``training``, ``weight_average``, ``checkpoint``,
``eight_bits`` for what a network needs to be computed in 8 bits; on several devices, ``device_group``,
``device_processes`` and ``shared_batch_norm``. ``errors`` is the root of all of the program's errors, ``printable``
makes text from files safe to show, ``openvino_library`` imports OpenVINO without its telemetry.
"""
