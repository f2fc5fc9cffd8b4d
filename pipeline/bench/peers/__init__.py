"""Classical ways to find ovals in pictures, to be compared with the network: methods as in `pipeline.bench.methods`.

`hough_circles` and `blob_detector` need nothing but OpenCV, which is always installed; `scale_space_blobs` needs
scikit-image (``pip install 'clutchlight[peers]'``), and `edge_drawing` OpenCV's contributed modules. `available` lists
those that can run. None says how far a shell is, so each detection is an egg whose
stage is not stated.
"""
