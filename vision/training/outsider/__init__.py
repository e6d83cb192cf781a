"""Pictures of children with an arm out by a renderer that no network of ours learned from, to be honest by.

``make`` writes scenes with known truth as `tests.accuracy` reads them (``python -m vision.training.outsider.make``).
Bodies and landmarks are those of `vision.training.figures.bodies`; what is seen is not: the path tracer (Blender's
Cycles), skin, cloth, collars, hair, rooms, light and the phone are made here, and nothing may be learned from them.
Lengths are in metres unless a name says otherwise; x runs along the wall to the picture's right, y up, z out of the
wall, which is the plane z = 0.
"""
