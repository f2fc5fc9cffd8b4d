"""Other ways to find ovals in pictures, to be compared with the network: methods as in `pipeline.bench.methods`.

Classical ones: `hough_circles` and `blob_detector` need nothing but OpenCV, which is always installed;
`scale_space_blobs` needs scikit-image (``pip install 'clutchlight[peers]'``), and `edge_drawing` OpenCV's contributed
modules. `available` lists those that can run. None says how far a shell is, so each detection is an egg whose stage is
not stated.

Networks: `torchvision_networks` builds them, `peer_training` trains them on our phantoms, and `trained_network` is what
they find, with stages. `environment` makes an environment for what brings another OpenCV.
"""
