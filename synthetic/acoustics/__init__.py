"""Ultrasound physics: from an animal's bodies to the echoes along a scanner's beams.

Objects and materials come in, envelopes in dB and the labels of the picture go out. Everything is batched in torch, so
that training pictures are rendered where they are used.

materials : acoustic properties, drawn from ``configs/materials.toml``
geometry : beams in the scan plane, the plane on the screen, and scan conversion
plane_sections : which objects a plane meets, and their labels;  visibility : how much of each a picture shows
physics : named models of speckle and shadow;  shadows : what comes through
tissue : scatterers and slow unevenness, fixed in the body;  background : soft tissue and the body wall
shells : egg shells as thin layers;  render_parameters : objects as numbers for the renderer
drawing : objects added to maps along the beams;  touched_regions : where on the grid an object can be
point_spread_function : the scanner's blur;  beam_rendering : everything together, to echoes
"""
