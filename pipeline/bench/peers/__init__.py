"""Other ways to find ovals in pictures, to be compared with the network: methods as in `pipeline.bench.methods`.

Classical ones: `hough_circles` and `blob_detector` need nothing but OpenCV, which is always installed;
`scale_space_blobs` needs scikit-image (``pip install 'clutchlight[peers]'``), and `edge_drawing` OpenCV's contributed
modules. `available` lists those that can run. None says how far a shell is, so each detection is an egg whose stage is
not stated.

Networks: `networks` lists those that can be trained on our phantoms, `our_network`, `torchvision_networks` (both by
`torch_network`) and `stardist_network` are the kinds (`trainable_network`; `object_masks` draws labels for them).
`peer_training` trains one, `trained_network` is what it finds, with stages, and `training_notes` what its weights file
says of the training. `environment` makes an environment for what brings another OpenCV.
"""
