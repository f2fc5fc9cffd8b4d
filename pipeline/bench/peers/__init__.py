"""Other ways to find ovals in pictures, to be compared with the network: methods as in `pipeline.bench.methods`.

Classical ones: `hough_circles` and `blob_detector` need nothing but OpenCV, which is always installed;
`scale_space_blobs` needs scikit-image (``pip install 'clutchlight[peers]'``), and `edge_drawing` OpenCV's contributed
modules. `available` lists those that can run. None says how far a shell is, so each detection is an egg whose stage is
not stated.

Networks: `networks` lists those that can be trained on our phantoms, `torchvision_networks` and `our_network` are what
they are built of (`trainable_network`; `object_masks` draws labels for them), `peer_training` trains one, and
`trained_network` is what it finds, with stages. `environment` makes an environment for what brings another OpenCV.
"""
