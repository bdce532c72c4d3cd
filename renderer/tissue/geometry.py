"""Geometry of painted solids for the tracer: inside tests, ray crossings, normals, curvatures.

Every solid is some *primitives* in paint order: a later one covers an earlier one. A point belongs to
the region of the topmost primitive that contains it; where primitives of one region meet or overlap
there is no surface. All kernels work in the frame
that the primitives were packed in (the probe frame), in mm.
"""

from __future__ import annotations

import math

from renderer.jit import kernel
from renderer.tissue.outlines import inside_outline, next_edge, outline_hits, outline_normal

SLAB, BOX, ELLIPSOID, CYLINDER, ROUND, PRISM, CAP, BELOW_CAP = range(8)

# Columns of a primitive's parameter row: its axes as rows of a matrix, its origin, what its shape needs, the sphere round
# it (middle and radius), and the box round it in the common frame (low x, high x, low y, high y, low z, high z).
ROTATION, ORIGIN, SHAPE, SPHERE, BOX_ROUND = 0, 9, 12, 20, 24
N_PARAMETERS = 30

SAME_PLACE_MM = 2e-6  # crossings closer than this happen together (surfaces described twice)
START_GAP_MM = 3e-6  # a ray leaves a surface from just behind it


@kernel
def to_local(row, x, y, z):
    """Point in the primitive's own frame, mm."""
    x, y, z = x - row[9], y - row[10], z - row[11]
    return (
        row[0] * x + row[1] * y + row[2] * z,
        row[3] * x + row[4] * y + row[5] * z,
        row[6] * x + row[7] * y + row[8] * z,
    )


@kernel
def direction_to_local(row, x, y, z):
    """Direction in the primitive's own frame."""
    return (
        row[0] * x + row[1] * y + row[2] * z,
        row[3] * x + row[4] * y + row[5] * z,
        row[6] * x + row[7] * y + row[8] * z,
    )


@kernel
def direction_from_local(row, x, y, z):
    """Direction back in the common frame (the rotation is orthogonal)."""
    return (
        row[0] * x + row[3] * y + row[6] * z,
        row[1] * x + row[4] * y + row[7] * z,
        row[2] * x + row[5] * y + row[8] * z,
    )


@kernel
def inside_round(row, x, y, z):
    """Whether a point lies in the convex hull of two spheres round z = 0 and z = length.

    Parameters: radius at 0, the larger radius, radius at the length, length, sine and cosine of the angle that
    its side leans by.
    """
    r0, r1, length, sine, cosine = row[12], row[14], row[15], row[16], row[17]
    rho2 = x * x + y * y
    rho = math.sqrt(rho2)
    along = cosine * z - sine * rho
    if along < 0.0:
        return rho2 + z * z < r0 * r0
    if along > cosine * length:
        return rho2 + (z - length) ** 2 < r1 * r1
    return cosine * rho + sine * z < r0


@kernel
def inside_local(kind, row, outline, start, count, x, y, z):
    """Whether a point of the local frame lies inside the primitive."""
    p0, p1, p2, p3 = row[12], row[13], row[14], row[15]
    if kind == SLAB:
        return 0.0 <= z < p0
    if kind == BOX:
        return abs(x) < p0 and abs(y) < p1 and abs(z) < p2
    if kind == ELLIPSOID:
        return (x / p0) ** 2 + (y / p1) ** 2 + (z / p2) ** 2 < 1.0
    if (
        kind == CYLINDER
    ):  # radius, length, slope of the far end along x, how far that end has sunk on the axis
        return 0.0 < z < p1 - p3 - p2 * x and x * x + y * y < p0 * p0
    if kind == ROUND:
        return inside_round(row, x, y, z)
    if kind == PRISM:
        if y <= p0 or y >= p1 or abs(x) > p2 or abs(z) > p3:
            return False
        return inside_outline(outline, start, count, x, z)
    if kind == CAP:  # inner radius, outer radius, cosine of the half angle; the pole is at -z
        r2 = x * x + y * y + z * z
        return p0 * p0 < r2 < p1 * p1 and -z > p2 * math.sqrt(r2)
    # BELOW_CAP: sphere radius, radius of the footprint, side of the sphere
    rho2 = x * x + y * y
    if rho2 >= p1 * p1:
        return False
    return z > p2 * math.sqrt(max(p0 * p0 - rho2, 0.0))


@kernel
def _quadratic(a, b, c, hits, n):
    """Append the real roots of a t^2 + 2 b t + c."""
    if a < 1e-15:
        return n
    d = b * b - a * c
    if d <= 0.0:
        return n
    root = math.sqrt(d)
    q = -b - root if b >= 0 else -b + root
    hits[n] = q / a
    hits[n + 1] = c / q if q != 0.0 else 0.0
    return n + 2


@kernel
def _round_hits(row, x, y, z, dx, dy, dz, hits):
    """Where a local ray enters and leaves the hull of two spheres: the outermost of what it meets of its parts."""
    r0, r1, length, sine, cosine = row[12], row[14], row[15], row[16], row[17]
    flat, across, rho2 = dx * dx + dy * dy, x * dx + y * dy, x * x + y * y
    n = _quadratic(flat + dz * dz, across + z * dz, rho2 + z * z - r0 * r0, hits, 0)
    zz = z - length
    n = _quadratic(flat + dz * dz, across + zz * dz, rho2 + zz * zz - r1 * r1, hits, n)
    near, far = 1e30, -1e30
    for i in range(n):
        near, far = min(near, hits[i]), max(far, hits[i])
    # The side: cosine rho = r0 - sine z, between the circles where it touches the spheres
    c2, rest = cosine * cosine, r0 - sine * z
    a, b, c = c2 * flat - (sine * dz) ** 2, c2 * across + sine * dz * rest, c2 * rho2 - rest * rest
    if a < 0.0:
        a, b, c = -a, -b, -c
    n = _quadratic(a, b, c, hits, 0)
    for i in range(n):
        at = z + hits[i] * dz
        if r0 * sine <= at <= length + r1 * sine:
            near, far = min(near, hits[i]), max(far, hits[i])
    if near >= far:
        return 0
    hits[0], hits[1] = near, far
    return 2


@kernel
def _raw_hits(kind, row, outline, start, count, x, y, z, dx, dy, dz, hits):
    """All places where the local ray meets a boundary surface of the primitive (some may be outside it)."""
    p0, p1, p2 = row[12], row[13], row[14]
    n = 0
    if kind == SLAB:
        if abs(dz) > 1e-12:
            hits[0] = -z / dz
            n = 1
            if p0 < 1e8:
                hits[1] = (p0 - z) / dz
                n = 2
        return n
    if kind == BOX:
        near, far = -1e30, 1e30
        for axis in range(3):
            o = x if axis == 0 else (y if axis == 1 else z)
            d = dx if axis == 0 else (dy if axis == 1 else dz)
            half = row[12 + axis]
            if abs(d) < 1e-12:
                if abs(o) >= half:
                    return 0
                continue
            t1, t2 = (-half - o) / d, (half - o) / d
            near, far = max(near, min(t1, t2)), min(far, max(t1, t2))
        if near >= far:
            return 0
        hits[0], hits[1] = near, far
        return 2
    if kind == ELLIPSOID:
        x, y, z, dx, dy, dz = x / p0, y / p1, z / p2, dx / p0, dy / p1, dz / p2
        return _quadratic(
            dx * dx + dy * dy + dz * dz, x * dx + y * dy + z * dz, x * x + y * y + z * z - 1.0, hits, 0
        )
    if kind == CYLINDER:
        near, far = -1e30, 1e30
        a = dx * dx + dy * dy
        if a > 1e-15:
            if _quadratic(a, x * dx + y * dy, x * x + y * y - p0 * p0, hits, 0) == 0:
                return 0
            near, far = min(hits[0], hits[1]), max(hits[0], hits[1])
        elif x * x + y * y >= p0 * p0:
            return 0
        for end in range(2):  # a square end at 0, one that may slant at the other
            toward = -dz if end == 0 else dz + p2 * dx
            left = z if end == 0 else p1 - row[15] - p2 * x - z
            if abs(toward) < 1e-12:
                if left <= 0.0:
                    return 0
            elif toward > 0.0:
                far = min(far, left / toward)
            else:
                near = max(near, left / toward)
        if near >= far:
            return 0
        hits[0], hits[1] = near, far
        return 2
    if kind == ROUND:
        return _round_hits(row, x, y, z, dx, dy, dz, hits)
    if kind == PRISM:
        if abs(dy) > 1e-12:
            hits[0], hits[1] = (p0 - y) / dy, (p1 - y) / dy
            n = 2
        n = outline_hits(outline, start, count, x, z, dx, dz, hits, n)
        return n
    a = dx * dx + dy * dy + dz * dz
    b = x * dx + y * dy + z * dz
    r2 = x * x + y * y + z * z
    n = _quadratic(a, b, r2 - p0 * p0, hits, n)
    if kind == CAP:
        n = _quadratic(a, b, r2 - p1 * p1, hits, n)
        k = p2 * p2
        ca, cb, cc = dz * dz - k * a, z * dz - k * b, z * z - k * r2
        if ca < 0.0:
            ca, cb, cc = -ca, -cb, -cc
        return _quadratic(ca, cb, cc, hits, n)
    return _quadratic(dx * dx + dy * dy, x * dx + y * dy, x * x + y * y - p1 * p1, hits, n)


@kernel
def _convex_changes(kind, row, n, z, dz, reach, hits):
    """``solid_changes`` of a convex primitive, from its raw hits alone."""
    if kind == SLAB and n < 2:  # a ray along the slab, or a slab without a floor
        if n == 0:
            return 0.0 <= z < row[12], 0
        inside = (hits[0] <= 0.0) == (dz > 0.0)
        return inside, 1 if 0.0 < hits[0] <= reach else 0
    if n == 0:
        return False, 0
    near, far = min(hits[0], hits[1]), max(hits[0], hits[1])
    inside = near <= 0.0 < far
    m = 0
    if 0.0 < near <= reach:
        hits[m] = near
        m += 1
    if 0.0 < far <= reach:
        hits[m] = far
        m += 1
    return inside, m


@kernel
def passes_box(row, x, y, z, dx, dy, dz, reach):
    """Whether a ray of the local frame passes by the box round a prism, has left it, or does not come so far."""
    near, far = 0.0, 1e12
    for low, high, at, way in (
        (-row[14], row[14], x, dx), (row[12], row[13], y, dy), (-row[15], row[15], z, dz)
    ):  # fmt: skip
        if abs(way) < 1e-15:
            if at < low or at > high:
                return True
            continue
        one, other = (low - at) / way, (high - at) / way
        near, far = max(near, min(one, other)), min(far, max(one, other))
    return near > far + 1e-6 or near > reach + 1e-6


@kernel
def solid_changes(kind, row, outline, start, count, x, y, z, dx, dy, dz, reach, hits):
    """Distances along a ray at which it enters or leaves the primitive, ascending.

    Returns (inside just after the start, number of changes within reach); the distances are in
    the first places of ``hits``. Rays and distances are in the common frame.
    """
    lx, ly, lz = to_local(row, x, y, z)
    ux, uy, uz = direction_to_local(row, dx, dy, dz)
    if kind == PRISM and passes_box(row, lx, ly, lz, ux, uy, uz, reach):
        return False, 0
    n = _raw_hits(kind, row, outline, start, count, lx, ly, lz, ux, uy, uz, hits)
    if kind <= ROUND:
        return _convex_changes(kind, row, n, lz, uz, reach, hits)
    # Sort; there are few
    for i in range(1, n):
        v = hits[i]
        j = i - 1
        while j >= 0 and hits[j] > v:
            hits[j + 1] = hits[j]
            j -= 1
        hits[j + 1] = v
    first = 0
    while first < n and hits[first] <= 0.0:
        first += 1
    ahead = hits[first] if first < n else reach
    middle = 0.5 * min(ahead, reach)
    inside = inside_local(
        kind, row, outline, start, count, lx + middle * ux, ly + middle * uy, lz + middle * uz
    )
    state = inside
    m = 0
    for i in range(first, n):
        t = hits[i]
        if t > reach:
            break
        after = hits[i + 1] if i + 1 < n else t + 1.0
        middle = 0.5 * (t + after)
        now = inside_local(
            kind, row, outline, start, count, lx + middle * ux, ly + middle * uy, lz + middle * uz
        )
        if now != state:
            hits[m] = t
            m += 1
            state = now
    return inside, m


@kernel
def contains(kinds, rows, outline, outline_span, i, x, y, z):
    """Whether a point lies in a primitive."""
    row = rows[i]
    if x < row[24] or x > row[25] or z < row[28] or z > row[29] or y < row[26] or y > row[27]:
        return False
    lx, ly, lz = to_local(row, x, y, z)
    return inside_local(kinds[i], row, outline, outline_span[i, 0], outline_span[i, 1], lx, ly, lz)


@kernel
def top_at(kinds, rows, outline, outline_span, traced, below, x, y, z):
    """The topmost traced primitive before a place in the order that contains a point, else -1."""
    for i in range(below - 1, -1, -1):
        if traced[i] and contains(kinds, rows, outline, outline_span, i, x, y, z):
            return i
    return -1


@kernel
def region_at(kinds, rows, outline, outline_span, region, traced, only_traced, x, y, z):
    """Region id at a point: that of the topmost primitive that contains it, else 0 (the background)."""
    for i in range(kinds.shape[0] - 1, -1, -1):
        if (not only_traced or traced[i]) and contains(kinds, rows, outline, outline_span, i, x, y, z):
            return region[i]
    return 0


@kernel
def out_of_reach(row, x, y, z, ix, iy, iz, reach):
    """Whether a ray passes by the box round a primitive within its reach; ``ix`` ...: one over its direction."""
    one, other = (row[24] - x) * ix, (row[25] - x) * ix
    near, far = min(one, other), max(one, other)
    one, other = (row[26] - y) * iy, (row[27] - y) * iy
    near, far = max(near, min(one, other)), min(far, max(one, other))
    one, other = (row[28] - z) * iz, (row[29] - z) * iz
    near, far = max(near, min(one, other)), min(far, max(one, other))
    return near > far or far < 0.0 or near > reach


@kernel
def one_over(direction):
    """The inverse of a part of a direction; a finite one for a ray that runs across it."""
    return 1.0 / (direction if abs(direction) > 1e-12 else 1e-12)


@kernel
def next_change(kind, row, outline, start, count, x, y, z, dx, dy, dz, reach, hits):
    """The next place within reach at which a ray enters or leaves the primitive.

    Returns (whether it is inside just after the start, distance or a negative number).
    """
    if kind == PRISM:
        lx, ly, lz = to_local(row, x, y, z)
        ux, uy, uz = direction_to_local(row, dx, dy, dz)
        end = ly + reach * uy
        # Clear of the prism's ends its outline alone counts
        if row[12] < min(ly, end) and max(ly, end) < row[13]:
            if passes_box(row, lx, ly, lz, ux, uy, uz, reach):
                return False, -1.0
            return next_edge(outline, start, count, lx, lz, ux, uz, reach)
    inside, m = solid_changes(kind, row, outline, start, count, x, y, z, dx, dy, dz, reach, hits)
    return inside, hits[0] if m > 0 else -1.0


@kernel
def first_change(kinds, rows, outline, outline_span, traced, x, y, z, dx, dy, dz, reach, top, hits):
    """Where the topmost primitive ends or a higher one begins: (distance, primitive), or (0, -2) if in doubt.

    The primitive is -1 where nothing changes within reach. Of surfaces that coincide the highest counts. In doubt
    is a start on a border, where it is a matter of rounding on which side it lies.
    """
    ahead, first = reach, -1
    ix, iy, iz = one_over(dx), one_over(dy), one_over(dz)
    for i in range(kinds.shape[0] - 1, max(top, 0) - 1, -1):
        if not traced[i] or out_of_reach(rows[i], x, y, z, ix, iy, iz, ahead):
            continue
        inside, t = next_change(
            kinds[i], rows[i], outline, outline_span[i, 0], outline_span[i, 1], x, y, z, dx, dy, dz, ahead, hits
        )  # fmt: skip
        if inside != (i == top):
            return 0.0, -2
        if t >= 0.0 and (first < 0 or t < ahead - SAME_PLACE_MM):
            ahead, first = t, i
    return ahead, first


@kernel
def next_crossing(kinds, rows, outline, outline_span, region, traced, x, y, z, dx, dy, dz, reach, top, hits):
    """The next place on a ray where the region changes.

    The region at a place is that of its topmost primitive, so that only two things can end it: that primitive's own
    end, or the begin of a higher one. ``top``: that primitive at the start, or -1, as from ``top_at`` or from the
    crossing before. ``hits`` (MAX_HITS,) is scratch. Returns (distance or -1, region after, primitive whose surface
    it is, topmost primitive after).
    """
    gone = 0.0
    for _ in range(4 * kinds.shape[0] + 8):  # primitives of one region may follow each other
        ahead, first = first_change(
            kinds, rows, outline, outline_span, traced, x + gone * dx, y + gone * dy, z + gone * dz, dx, dy, dz,
            reach - gone, top, hits,
        )  # fmt: skip
        if first == -1:
            break
        gone += ahead
        behind = gone + SAME_PLACE_MM
        qx, qy, qz = x + behind * dx, y + behind * dy, z + behind * dz
        # A corner that is only touched is no crossing: whether the primitive is there just behind tells
        if first >= 0 and contains(kinds, rows, outline, outline_span, first, qx, qy, qz) == (first != top):
            new_top = first
            if first == top:
                new_top = top_at(kinds, rows, outline, outline_span, traced, top, qx, qy, qz)
        else:
            new_top = top_at(kinds, rows, outline, outline_span, traced, kinds.shape[0], qx, qy, qz)
        before = region[top] if top >= 0 else 0
        after = region[new_top] if new_top >= 0 else 0
        if before != after:
            return gone, after, max(top, new_top), new_top
        top = new_top
        gone += START_GAP_MM
    return -1.0, 0, -1, top


@kernel
def _round_shape(row, x, y, z, ux, uy, uz):
    """Outward normal and curvature of the hull of two spheres, in its own frame."""
    r0, r1, length, sine, cosine = row[12], row[14], row[15], row[16], row[17]
    rho = math.sqrt(x * x + y * y)
    along = cosine * z - sine * rho
    if along < 0.0:
        r = math.sqrt(rho * rho + z * z)
        return x / r, y / r, z / r, 1.0 / r0
    if along > cosine * length:
        z -= length
        r = math.sqrt(rho * rho + z * z)
        return x / r, y / r, z / r, 1.0 / r1
    nx, ny, nz = cosine * x / rho, cosine * y / rho, sine
    lean = ux * nx + uy * ny + uz * nz
    ux, uy, uz = ux - lean * nx, uy - lean * ny, uz - lean * nz
    length2 = ux * ux + uy * uy + uz * uz
    round_it = (x * uy - y * ux) / rho  # along the side it is straight
    curvature = round_it * round_it / length2 * cosine / rho if length2 > 0.0 else 0.0
    return nx, ny, nz, curvature


@kernel
def surface_shape(kind, row, outline, start, count, x, y, z, tx, ty, tz):
    """Outward unit normal at a surface point, and normal curvature (1/mm, + = convex) along a tangent.

    The tangent need not lie exactly in the surface; only its direction counts.
    """
    lx, ly, lz = to_local(row, x, y, z)
    ux, uy, uz = direction_to_local(row, tx, ty, tz)
    p0, p1, p2 = row[12], row[13], row[14]
    nx, ny, nz, curvature = 0.0, 0.0, -1.0, 0.0
    if kind == SLAB:
        if p0 < 1e8 and lz > 0.5 * p0:
            nz = 1.0
    elif kind == BOX:
        fx, fy, fz = abs(abs(lx) - p0), abs(abs(ly) - p1), abs(abs(lz) - p2)
        if fx <= fy and fx <= fz:
            nx, nz = math.copysign(1.0, lx), 0.0
        elif fy <= fz:
            ny, nz = math.copysign(1.0, ly), 0.0
        else:
            nz = math.copysign(1.0, lz)
    elif kind == ELLIPSOID:
        nx, ny, nz = lx / (p0 * p0), ly / (p1 * p1), lz / (p2 * p2)
        slope = math.sqrt(nx * nx + ny * ny + nz * nz)
        nx, ny, nz = nx / slope, ny / slope, nz / slope
        along = ux * nx + uy * ny + uz * nz
        ux, uy, uz = ux - along * nx, uy - along * ny, uz - along * nz
        length2 = ux * ux + uy * uy + uz * uz
        if length2 > 0.0:
            curvature = ((ux / p0) ** 2 + (uy / p1) ** 2 + (uz / p2) ** 2) / (slope * length2)
    elif kind == CYLINDER:
        rho = math.sqrt(lx * lx + ly * ly)
        slant = math.sqrt(1.0 + p2 * p2)
        to_end = abs(lz + p2 * lx + row[15] - p1) / slant
        if abs(rho - p0) <= min(abs(lz), to_end):
            nx, ny, nz = lx / rho, ly / rho, 0.0
            along = ux * nx + uy * ny
            ux, uy = ux - along * nx, uy - along * ny
            length2 = ux * ux + uy * uy + uz * uz
            if length2 > 0.0:
                curvature = (ux * ux + uy * uy) / length2 / p0
        elif to_end < abs(lz):
            nx, nz = p2 / slant, 1.0 / slant
        else:
            nz = -1.0
    elif kind == ROUND:
        nx, ny, nz, curvature = _round_shape(row, lx, ly, lz, ux, uy, uz)
    elif kind == PRISM:
        side = min(abs(ly - p0), abs(ly - p1))
        nx, nz, bend = outline_normal(outline, start, count, row[16] > 0.0, lx, lz)
        if side < 1e-5:
            nx, ny, nz = 0.0, (-1.0 if abs(ly - p0) < abs(ly - p1) else 1.0), 0.0
        else:
            along = ux * nx + uz * nz
            ux, uz = ux - along * nx, uz - along * nz
            length2 = ux * ux + uy * uy + uz * uz
            if length2 > 0.0:
                curvature = bend * (ux * ux + uz * uz) / length2
    else:
        r = math.sqrt(lx * lx + ly * ly + lz * lz)
        rho = math.sqrt(lx * lx + ly * ly)
        if kind == CAP:
            if abs(r - p0) < 1e-4 or abs(r - p1) < 1e-4:
                sign = 1.0 if abs(r - p1) < abs(r - p0) else -1.0
                nx, ny, nz, curvature = sign * lx / r, sign * ly / r, sign * lz / r, sign / r
            else:  # the rim
                nx, ny, nz = p2 * lx / rho, p2 * ly / rho, rho / r
        elif abs(rho - p1) < 1e-4:
            nx, ny, nz, curvature = lx / rho, ly / rho, 0.0, 0.0
        else:  # the sphere that the region hangs below; the region lies inside or outside it
            sign = 1.0 if p2 < 0.0 else -1.0
            nx, ny, nz, curvature = sign * lx / r, sign * ly / r, sign * lz / r, sign / r
    gx, gy, gz = direction_from_local(row, nx, ny, nz)
    return gx, gy, gz, curvature
