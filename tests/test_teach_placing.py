"""Labels never touch each other, never leave the page and never cover what they point at."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from renderer.teach.placing import Box, Wish, place_labels, segments_cross, spread

pytest.importorskip("matplotlib")

LEFT, PICTURE, RIGHT = Box(20, 40, 200, 440), Box(270, 50, 400, 430), Box(720, 40, 200, 440)
# The smallest distance between numbers of this size that a double still tells apart, with room
ROUND_OFF = 1e-9

wish = st.builds(
    lambda w, h, x, y, rank: Wish(w, h, (x, y), (min(x + 5, PICTURE.right), y), rank),
    st.floats(10, 220), st.floats(8, 60), st.floats(PICTURE.left, PICTURE.right), st.floats(PICTURE.top, PICTURE.bottom),
    st.floats(0, 9),
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(wish, max_size=26))
def test_labels_stand_apart_inside_their_columns(wishes):
    """Whatever is wished for: no two boxes touch, none leaves its column, so none reaches the picture."""
    placed = place_labels(wishes, LEFT, RIGHT, 6.0)

    for k, one in enumerate(placed):
        column = LEFT if one.side == "left" else RIGHT
        assert one.box.within(column, ROUND_OFF)
        assert not one.box.touches(PICTURE)
        assert one.box.width == wishes[one.index].width
        for other in placed[k + 1 :]:
            gap = max(one.box.top, other.box.top) - min(one.box.bottom, other.box.bottom)
            assert one.side != other.side or gap >= 6.0 - ROUND_OFF


@settings(max_examples=200, deadline=None)
@given(st.lists(wish, min_size=1, max_size=14))
def test_nothing_that_fits_is_left_out(wishes):
    """All are placed where the columns have room for all; of the rest the highest rank numbers go first."""
    placed = {p.index for p in place_labels(wishes, LEFT, RIGHT, 6.0)}
    narrow = [w for w in wishes if w.width <= 200]
    out = [w.rank for k, w in enumerate(wishes) if k not in placed and w.width <= 200]

    # Any split leaves each column room for half of the heights and one label more
    if sum(w.height + 6 for w in narrow) / 2 + 66 <= LEFT.height:
        assert len(placed) == len(narrow)
    assert not out or min(out) >= max((wishes[k].rank for k in placed), default=0.0)


@pytest.mark.parametrize("seed", range(30))
def test_leaders_of_one_column_do_not_cross(seed):
    """Twelve labels of one size: an order without crossings exists (swapping two that cross shortens both)."""
    rng = np.random.default_rng(seed)
    wishes = []
    for _ in range(12):
        x, y = rng.uniform(PICTURE.left, PICTURE.right), rng.uniform(PICTURE.top, PICTURE.bottom)
        wishes.append(Wish(120.0, 20.0, (x, y), (x, y)))
    placed = place_labels(wishes, LEFT, RIGHT, 6.0)

    assert len(placed) == 12
    for one in placed:
        for other in placed:
            if one.index < other.index and one.side == other.side:
                assert not segments_cross(one.start, one.end, other.start, other.end)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.floats(-50, 500), st.floats(5, 30)), min_size=1, max_size=10))
def test_spread_keeps_order_gap_and_ends(items):
    """Boxes in a fixed order: apart by the gap, between the ends, and where they were wished if they do not touch."""
    items.sort()
    wanted, heights = [i[0] for i in items], [i[1] for i in items]
    tops = spread(wanted, heights, 0.0, 450.0, 4.0)

    assert tops[0] >= -ROUND_OFF and tops[-1] + heights[-1] <= 450.0 + ROUND_OFF
    for k in range(len(tops) - 1):
        assert tops[k + 1] - (tops[k] + heights[k]) >= 4.0 - ROUND_OFF
    free = all(b - (a + h) >= 4.0 for a, h, b in zip(wanted, heights, wanted[1:], strict=False))
    if free and wanted[0] >= 0 and wanted[-1] + heights[-1] <= 450:
        np.testing.assert_allclose(tops, wanted, atol=ROUND_OFF)


LONG = "unreasonablylongnameofasolidwithoutanyspaceinit"
WORDS = ("mirror image of the", "reverberation 2 of the", "shadow of the", "jelly", "water balloon", LONG, "pebble",
         "wall of the left", "straw behind the second layer of lard")  # fmt: skip


def random_page(seed):
    """A random picture with named things in it, without rendering: place, size, names and masks by chance."""
    from renderer.teach.findings import Finding

    rng = np.random.default_rng(seed)
    depth, width = rng.uniform(30, 180), rng.uniform(25, 180)
    x, z = (np.arange(n, dtype=float) for n in (90, 110))
    x, z = (x - 44.5) * width / 90, (z + 0.5) * depth / 110

    class Picture:
        x_mm, z_mm = x, z

    findings = []
    for k in range(int(rng.integers(1, 21))):
        a, b = rng.uniform(0.2, 12, 2)
        at = rng.uniform(x[0], x[-1]), rng.uniform(z[0], z[-1])
        mask = ((x[None, :] - at[0]) / a) ** 2 + ((z[:, None] - at[1]) / b) ** 2 <= 1.0
        mask[int(rng.integers(110)), int(rng.integers(90))] = True
        text = " ".join(rng.choice(WORDS, int(rng.integers(1, 4)))) + f" {k}"
        findings.append(Finding(str(rng.choice(["solid", "class"])), "mirror", text, text, mask))
    return Picture(), findings


@pytest.mark.parametrize("block", range(4))
def test_two_hundred_random_pages(block):
    """Real type on random pages: no label touches another or the picture, and all stay on the page.

    Labels point at places inside their mask, and 12 of them always find room.
    """
    from renderer.teach.labelled import PAD, labels_for, sheet_of
    from renderer.teach.page import HEIGHT, MARGIN, WIDTH
    from renderer.teach.type import block_size

    for seed in range(50 * block, 50 * block + 50):
        frame, findings = random_page(seed)
        sheet = sheet_of(frame)
        labels, left_out = labels_for(frame, findings, sheet)
        page = Box(MARGIN, MARGIN, WIDTH - 2 * MARGIN, HEIGHT - 2 * MARGIN)

        assert len(labels) + len(left_out) == len(findings)
        assert not left_out or len(findings) > 12
        for k, label in enumerate(labels):
            box = label.placed.box
            width, height = block_size(list(label.lines), label.size)
            assert width + 2 * PAD <= box.width + ROUND_OFF and height + 2 * PAD <= box.height + ROUND_OFF
            assert box.within(page) and not box.touches(sheet.placement.box)
            assert not any(box.touches(other.placed.box) for other in labels[k + 1 :])
            assert points_into_mask(frame, label, sheet.placement)


def points_into_mask(frame, label, placement):
    """Whether the end of a leader lies on a pixel of the mask of what it points at."""
    scale = (placement.x_mm[1] - placement.x_mm[0]) / placement.box.width
    x = placement.x_mm[0] + (label.placed.end[0] - placement.box.left) * scale
    z = placement.z_mm[0] + (label.placed.end[1] - placement.box.top) * scale
    row, column = np.abs(frame.z_mm - z).argmin(), np.abs(frame.x_mm - x).argmin()
    return label.finding.mask[row, column]
