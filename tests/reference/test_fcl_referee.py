"""Rest heights before two general libraries, and the sample kernel before the exact one.

Referees
--------
- python-fcl (Flexible Collision Library, J. Pan, S. Chitta, D. Manocha 2012): triangles of the
  stone's closed mesh against the triangles of the metal, both as bounding-volume trees. Its
  conservative advancement can stop early on a graze and it reports 0, never a depth, on overlap,
  so it is asked two things only: is there a distance above the rest height, do triangles meet
  below it; and how far a stone comes that is lowered by its distance, again and again. Should it
  ever err, manifold3d decides.
- manifold3d (E. Lalish, Manifold): the volume that the stone shares with the ledge built closed.
- shapely (GEOS): distances between the outline and the metal's own polygons.

Measured
--------
Exact drop, 200 cases (every style and opening family, walls and claws, shifts of about 0.08 mm,
turns, every fourth stone without a girdle): triangles meet 1e-6 mm below the rest height and not
1e-6 mm above it, without exception; manifold3d finds no shared volume 1e-6 mm above and some
0.001 mm below. In 60 descents fcl stopped within 0.0004 mm of the rest height, of which 0.0002 mm
are its own stopping distance; no early stop was seen.

Sample kernel (`placement`), 1000 cases of three samples each, against the exact answers for the
same polygons and poses [mm]; `rest` is of stones that clear the metal beside them:

{measured}

Where the outline passes the metal beside it (the stone does not go down there at all) the rest
height may be off by up to 0.03 mm: ridges over the outer edge of the ledge are not followed.
"""
