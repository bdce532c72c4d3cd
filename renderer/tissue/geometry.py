"""Geometry of painted solids for the tracer: inside tests, ray crossings, normals, curvatures.

Every solid is some *primitives* in paint order: a later one covers an earlier one. A point belongs to
the region of the topmost primitive that contains it; where primitives of one region meet or overlap
there is no surface. All kernels work in the frame
that the primitives were packed in (the probe frame), in mm.
"""

from __future__ import annotations

import math

import numpy as np

from renderer.jit import kernel

SLAB, BOX, ELLIPSOID, CYLINDER, ROUND, PRISM, CAP, BELOW_CAP = range(8)

# Columns of a primitive's parameter row.
ROTATION, ORIGIN, SHAPE, BOUND = 0, 9, 12, 20
N_PARAMETERS = 24

# An outline is one closed ring, or open arcs that close together, each after a row of NaN: comparisons with NaN are
# false, so that an edge from or to such a row is met by nothing.
# Columns of an outline: vertex, normal and curvature there; the first edge of every block of BLOCK edges (an edge
# runs from the vertex before to its own) also holds the block's bounds, and that of every GROUP edges the group's:
# low x, high x, low z, high z.
O_X, O_Z, O_NX, O_NZ, O_BEND, O_BLOCK = range(6)
O_GROUP = O_BLOCK + 4
N_OUTLINE = O_GROUP + 4
BLOCK, GROUP = 8, 64

MAX_HITS = 40  # crossings of one ray with one primitive that are looked at
ON_EDGE_MM = 1e-3
SAME_PLACE_MM = 2e-6  # crossings closer than this happen together (surfaces described twice)
START_GAP_MM = 1e-6  # a ray leaves a surface from just behind it


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
def beside(row, first, x, z):
    """Whether a level line from a point to larger x passes by a box; its bounds begin at a column of the row."""
    return z < row[first + 2] or z > row[first + 3] or x > row[first + 1]


@kernel
def missed(row, first, x, z, dx, dz):
    """Whether the straight line through a point passes by a box."""
    off_x = 0.5 * (row[first] + row[first + 1]) - x
    off_z = 0.5 * (row[first + 2] + row[first + 3]) - z
    wide = (row[first + 1] - row[first]) * abs(dz) + (row[first + 3] - row[first + 2]) * abs(dx)
    return 2.0 * abs(off_x * dz - off_z * dx) > wide + 1e-9


@kernel
def far_off(row, first, x, z, square):
    """Whether a box lies farther from a point than the root of a square."""
    off_x = max(row[first] - x, x - row[first + 1], 0.0)
    off_z = max(row[first + 2] - z, z - row[first + 3], 0.0)
    return off_x * off_x + off_z * off_z > square


@kernel
def inside_outline(outline, start, count, x, z):
    """Whether a point lies inside a closed outline (even-odd rule)."""
    inside = False
    after = start
    while after < start + count:
        block, after = after, after + BLOCK
        if (block - start) % GROUP == 0 and beside(outline[block], O_GROUP, x, z):
            after = block + GROUP
            continue
        if beside(outline[block], O_BLOCK, x, z):
            continue
        j = block - 1 if block > start else start + count - 1
        for i in range(block, min(block + BLOCK, start + count)):
            zi, zj = outline[i, 1], outline[j, 1]
            if (zi > z) != (zj > z):
                if x < outline[i, 0] + (z - zi) / (zj - zi) * (outline[j, 0] - outline[i, 0]):
                    inside = not inside
            j = i
    return inside


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
        after = start
        while after < start + count:
            block, after = after, after + BLOCK
            if (block - start) % GROUP == 0 and missed(outline[block], O_GROUP, x, z, dx, dz):
                after = block + GROUP
                continue
            if missed(outline[block], O_BLOCK, x, z, dx, dz):
                continue
            j = block - 1 if block > start else start + count - 1
            for i in range(block, min(block + BLOCK, start + count)):
                ax, az = outline[j, 0], outline[j, 1]
                ex, ez = outline[i, 0] - ax, outline[i, 1] - az
                j = i
                det = dx * ez - dz * ex
                if abs(det) < 1e-15:
                    continue
                along = ((ax - x) * dz - (az - z) * dx) / det
                if 0.0 <= along < 1.0 and n < MAX_HITS - 1:
                    ahead = ((ax - x) * ez - (az - z) * ex) / det
                    if ahead > 0.0:
                        hits[n] = ahead
                        n += 1
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
def passes_box(row, x, y, z, dx, dy, dz):
    """Whether a ray of the local frame passes by the box round a prism, or has left it."""
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
    return near > far + 1e-6


@kernel
def solid_changes(kind, row, outline, start, count, x, y, z, dx, dy, dz, reach, hits):
    """Distances along a ray at which it enters or leaves the primitive, ascending.

    Returns (inside just after the start, number of changes within reach); the distances are in
    the first places of ``hits``. Rays and distances are in the common frame.
    """
    lx, ly, lz = to_local(row, x, y, z)
    ux, uy, uz = direction_to_local(row, dx, dy, dz)
    if kind == PRISM and passes_box(row, lx, ly, lz, ux, uy, uz):
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
    bx, by, bz = x - row[20], y - row[21], z - row[22]
    if bx * bx + by * by + bz * bz > row[23] * row[23]:
        return False
    lx, ly, lz = to_local(row, x, y, z)
    return inside_local(kinds[i], row, outline, outline_span[i, 0], outline_span[i, 1], lx, ly, lz)


@kernel
def region_at(kinds, rows, outline, outline_span, region, traced, only_traced, x, y, z):
    """Region id at a point: that of the topmost primitive that contains it, else 0 (the background)."""
    for i in range(kinds.shape[0] - 1, -1, -1):
        if (not only_traced or traced[i]) and contains(kinds, rows, outline, outline_span, i, x, y, z):
            return region[i]
    return 0


@kernel
def next_crossing(
    kinds, rows, outline, outline_span, region, traced, x, y, z, dx, dy, dz, reach, work, flags
):
    """The next place on a ray where the region changes.

    ``work`` (S * 8 + MAX_HITS, 2) and ``flags`` (S,) are scratch. Returns (distance or -1, region
    after, primitive whose surface it is, whether that primitive is entered).
    """
    n_solids = kinds.shape[0]
    n = 0
    hits = work[:MAX_HITS, 0]
    base = MAX_HITS
    for i in range(n_solids):
        flags[i] = 0
        if not traced[i]:
            continue
        row = rows[i]
        # Skip what the ray cannot reach
        if row[23] < 1e8:
            bx, by, bz = row[20] - x, row[21] - y, row[22] - z
            along = bx * dx + by * dy + bz * dz
            off2 = bx * bx + by * by + bz * bz - along * along
            if off2 > row[23] * row[23] or along < -row[23] or along > reach + row[23]:
                continue
        inside, m = solid_changes(
            kinds[i], row, outline, outline_span[i, 0], outline_span[i, 1], x, y, z, dx, dy, dz, reach, hits
        )
        flags[i] = 1 if inside else 0
        for k in range(min(m, 8)):
            work[base + n, 0] = hits[k]
            work[base + n, 1] = i
            n += 1
    top = -1
    for i in range(n_solids):
        if flags[i]:
            top = i
    # Sweep the changes in order until the topmost primitive, and with it the region, is another
    done = 0
    while done < n:
        best = done
        for k in range(done + 1, n):
            if work[base + k, 0] < work[base + best, 0]:
                best = k
        t, solid = work[base + best, 0], int(work[base + best, 1])
        work[base + best, 0], work[base + best, 1] = work[base + done, 0], work[base + done, 1]
        done += 1
        flags[solid] = 1 - flags[solid]
        surface = solid
        k = done
        while k < n:  # surfaces that coincide are crossed together
            if abs(work[base + k, 0] - t) < SAME_PLACE_MM:
                other = int(work[base + k, 1])
                flags[other] = 1 - flags[other]
                surface = max(surface, other)
                work[base + k, 0], work[base + k, 1] = work[base + done, 0], work[base + done, 1]
                done += 1
                k = max(k, done)
            else:
                k += 1
        new_top = -1
        for i in range(n_solids):
            if flags[i]:
                new_top = i
        if new_top != top:
            before = region[top] if top >= 0 else 0
            after = region[new_top] if new_top >= 0 else 0
            if before != after:
                surface = max(top, new_top)
                return t, after, surface, new_top == surface
            top = new_top
    return -1.0, 0, -1, False


@kernel
def _outline_normal(outline, start, count, smooth, x, z):
    """Outward normal and curvature of an outline at its nearest edge; most places asked for lie on it."""
    found, nx, nz, curvature = _nearest_edge(outline, start, count, smooth, x, z, ON_EDGE_MM**2)
    if not found:
        found, nx, nz, curvature = _nearest_edge(outline, start, count, smooth, x, z, 1e30)
    return nx, nz, curvature


@kernel
def _nearest_edge(outline, start, count, smooth, x, z, best):
    """Whether an edge is nearer than the root of ``best``; outward normal and curvature there."""
    found, nx, nz, curvature = False, 0.0, -1.0, 0.0
    after = start
    while after < start + count:
        block, after = after, after + BLOCK
        if (block - start) % GROUP == 0 and far_off(outline[block], O_GROUP, x, z, best):
            after = block + GROUP
            continue
        if far_off(outline[block], O_BLOCK, x, z, best):
            continue
        j = block - 1 if block > start else start + count - 1
        for i in range(block, min(block + BLOCK, start + count)):
            ax, az = outline[j, 0], outline[j, 1]
            ex, ez = outline[i, 0] - ax, outline[i, 1] - az
            length2 = ex * ex + ez * ez
            w = min(1.0, max(0.0, ((x - ax) * ex + (z - az) * ez) / length2)) if length2 > 0 else 0.0
            off = (ax + w * ex - x) ** 2 + (az + w * ez - z) ** 2
            if off < best:
                best, found = off, True
                if smooth:
                    nx = (1 - w) * outline[j, 2] + w * outline[i, 2]
                    nz = (1 - w) * outline[j, 3] + w * outline[i, 3]
                    curvature = (1 - w) * outline[j, 4] + w * outline[i, 4]
                else:  # outlines run so that the outside lies to this side
                    nx, nz, curvature = ez, -ex, 0.0
            j = i
    length = math.sqrt(nx * nx + nz * nz)
    return found, nx / length, nz / length, curvature


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
        nx, nz, bend = _outline_normal(outline, start, count, row[16] > 0.0, lx, lz)
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


def outline_normals(points: np.ndarray) -> np.ndarray:
    """Vertex normals and curvatures of a closed smooth outline, (V, 2) to (V, 5): x, z, nx, nz, 1/mm."""
    before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
    a, b = points - before, after - points
    la, lb = np.hypot(*a.T), np.hypot(*b.T)
    tangent = a / la[:, None] ** 2 + b / lb[:, None] ** 2  # the shorter neighbour tells more
    tangent /= np.hypot(*tangent.T)[:, None]
    turn = np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(1))
    curvature = turn / (0.5 * (la + lb))
    return np.column_stack([points, tangent[:, 1], -tangent[:, 0], curvature])


def arc_normals(points: np.ndarray, *, closed: bool) -> np.ndarray:
    """``outline_normals`` of an arc with two ends, (V, 2) to (V, 5); a closed one repeats its first point."""
    if closed:
        ring = outline_normals(points[:-1])
        return np.vstack([ring, ring[:1]])
    first, last = 2 * points[0] - points[1], 2 * points[-1] - points[-2]
    return outline_normals(np.vstack([first, points, last]))[1:-1]


def with_bounds(outline: np.ndarray) -> np.ndarray:
    """An outline (V, 5) with the bounds of its blocks and groups of edges, (V, N_OUTLINE)."""
    full = np.zeros((len(outline), N_OUTLINE))
    full[:, :5] = outline
    ends = np.stack([np.roll(outline, 1, axis=0)[:, :2], outline[:, :2]], axis=1)
    for size, column in ((BLOCK, O_BLOCK), (GROUP, O_GROUP)):
        for first in range(0, len(outline), size):
            low, high = (
                np.nanmin(ends[first : first + size], (0, 1)),
                np.nanmax(ends[first : first + size], (0, 1)),
            )
            full[first, column : column + 4] = low[0], high[0], low[1], high[1]
    return full
