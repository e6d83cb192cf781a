"""The sheet's sizes, and that the PDF prints in true size."""

from __future__ import annotations

import io
from itertools import pairwise

import cv2
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray
from PIL import Image
from pypdf import PdfReader

from calibration.sheet import (
    CARD_HEIGHT_MM,
    CARD_WIDTH_MM,
    CHECK_BAR_MM,
    FEWEST_GOOD_CORNERS,
    MARKERS_PER_SHEET,
    PRINT_STRETCH_SD,
    ROUND_CORNER_MM,
    Box,
    Paper,
    SheetLayout,
    all_layouts,
    is_black,
    marker_modules,
)
from calibration.sheet_drawing import sheet_image, sheet_pdf, sheet_png, sheet_shapes
from calibration.sheet_shapes import Text
from calibration.sheet_words import WORDS

DPI = 300
PX_PER_MM = DPI / 25.4


def test_paper_sizes() -> None:
    """ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: Letter is 8.5 x 11 inches."""
    assert (Paper.A4.width_mm, Paper.A4.height_mm) == (210, 297)
    assert (Paper.LETTER.width_mm, Paper.LETTER.height_mm) == pytest.approx((8.5 * 25.4, 11 * 25.4))


def test_card_size() -> None:
    """ISO/IEC 7810:2003, 5.1: ID-1 is nominally 85.60 mm (3.370 in) wide and 53.98 mm (2.125 in) high."""
    assert (CARD_WIDTH_MM, CARD_HEIGHT_MM) == (85.60, 53.98)
    inches = [CARD_WIDTH_MM / 25.4, CARD_HEIGHT_MM / 25.4]
    assert inches == pytest.approx([3.370, 2.125], abs=5e-4)


def test_every_marker_belongs_to_one_sheet() -> None:
    ids = [marker for layout in all_layouts() for marker in layout.marker_ids]
    assert sorted(ids) == list(range(8 * MARKERS_PER_SHEET))
    patterns = {np.rot90(modules, turn).tobytes() for modules in marker_modules() for turn in range(4)}
    assert len(patterns) == 4 * len(ids)


@pytest.mark.parametrize("layout", all_layouts()[::4], ids=lambda layout: layout.name)
def test_nothing_overlaps_and_margins_are_white(layout: SheetLayout) -> None:
    boxes = [layout.board, layout.level_bar, layout.card_frame, layout.words]
    for number, one in enumerate(boxes):
        for other in boxes[number + 1 :]:
            apart = one.right < other.left or other.right < one.left or one.top < other.bottom or other.top < one.bottom
            assert apart, (one, other)
    margin = int(8 * 100 / 25.4)
    for language in ("en", "de"):
        page = sheet_image(layout, 100, language)
        inner = page[margin:-margin, margin:-margin]
        assert inner.min() < 10
        page = page.copy()
        page[margin:-margin, margin:-margin] = 255
        assert page.min() > 250


@pytest.mark.parametrize("paper", Paper)
def test_ink_goes_where_measuring_needs_it(paper: Paper) -> None:
    """How much of the page is black; printed part by part (``pytest -s``)."""
    layout, dpi = SheetLayout(paper, 1), 100
    black = (255.0 - sheet_image(layout, dpi)) / 255.0

    def share(box: Box) -> float:
        left, right = (round((x - layout.page.left) * dpi / 25.4) for x in (box.left, box.right))
        top, bottom = (round((layout.page.top - y) * dpi / 25.4) for y in (box.top, box.bottom))
        return float(black[top:bottom, left:right].sum() / black.size)

    parts = {"board": layout.board, "bar": layout.level_bar, "card's frame": layout.card_frame, "words": layout.words}
    shares = {name: share(box) for name, box in parts.items()}
    whole = float(black.mean())
    print(
        f"\nink of {layout.name}: " + ", ".join(f"{name} {one:.1%}" for name, one in (shares | {"all": whole}).items())
    )
    assert whole == pytest.approx(sum(shares.values()), abs=0.001)
    assert shares["words"] + shares["bar"] < 0.015
    assert shares["board"] > 0.88 * whole
    assert whole < 0.465


def test_index_out_of_range_is_an_error() -> None:
    for index in (0, 5):
        with pytest.raises(ValueError, match="1 to 4"):
            SheetLayout(Paper.A4, index)
    assert [layout.name for layout in all_layouts()] == [
        f"{paper}-{n}" for paper in ("a4", "letter") for n in (1, 2, 3, 4)
    ]


def test_box() -> None:
    box = Box(-3.0, 1.0, 7.0, 5.0)
    assert (box.width_mm, box.height_mm, box.centre_mm) == (10.0, 4.0, (2.0, 3.0))
    assert box.corners_mm.tolist() == [[-3, 5], [7, 5], [7, 1], [-3, 1]]
    assert box.grown(0.5, 2.0) == Box(-3.5, -1.0, 7.5, 7.0)


A4, LETTER = SheetLayout(Paper.A4, 3), SheetLayout(Paper.LETTER, 2)


@pytest.mark.parametrize(
    ("layout", "part", "from_upper_left"),
    [
        (A4, "page", (0, 0, 210, 297)),
        (A4, "board", (12, 9, 189, 219)),
        (A4, "core", (18, 15, 183, 213)),
        (A4, "card", (16, 232.02, 101.6, 286)),
        (A4, "card_frame", (12, 230.02, 105.6, 288)),
        (A4, "card_window", (20, 234.02, 97.6, 284)),
        (A4, "words", (110.6, 230.02, 198, 288)),
        (A4, "level_bar", (12, 222.51, 162, 226.51)),
        (LETTER, "page", (0, 0, 215.9, 279.4)),
        (LETTER, "board", (20, 8, 187, 206)),
        (LETTER, "core", (26, 14, 181, 200)),
        (LETTER, "card", (24, 215.42, 109.6, 269.4)),
        (LETTER, "card_frame", (20, 213.42, 113.6, 271.4)),
        (LETTER, "card_window", (28, 217.42, 105.6, 267.4)),
        (LETTER, "words", (118.6, 213.42, 203.9, 271.4)),
        (LETTER, "level_bar", (20, 207.71, 170, 211.71)),
    ],
)
def test_every_part_is_where_the_drawing_has_it(
    layout: SheetLayout, part: str, from_upper_left: tuple[float, float, float, float]
) -> None:
    """Left, top, right and bottom in mm from the page's upper left corner, added up by hand."""
    box: Box = getattr(layout, part)
    page = layout.page
    found = (box.left - page.left, page.top - box.top, box.right - page.left, page.top - box.bottom)
    assert found == pytest.approx(from_upper_left, abs=1e-9)
    assert page.centre_mm == (0, 0)


def test_bands_of_the_card_frame() -> None:
    """Without the 6 mm at either end of the card's outline, which is at 16, 232.02, 101.6 and 286 mm."""
    page = A4.page
    found = [(b.left - page.left, page.top - b.top, b.right - page.left, page.top - b.bottom) for b in A4.card_bands]
    expected = [(12, 238.02, 20, 280), (97.6, 238.02, 105.6, 280), (22, 284, 95.6, 288), (22, 230.02, 95.6, 234.02)]
    np.testing.assert_allclose(found, expected, atol=1e-9)


def test_squares_markers_and_corners_of_a_board() -> None:
    """By hand: the A4 core begins 18 and 15 mm from the page's corner: at (-87, 133.5); a marker has 0.78 * 33 mm."""
    corners = A4.corner_mm
    assert corners.shape == (42, 3)
    assert corners[[0, 1, 6, 41]].tolist() == [[-87, 133.5, 0], [-54, 133.5, 0], [-87, 100.5, 0], [78, -64.5, 0]]
    assert A4.square_mm == 33
    assert LETTER.square_mm == 31
    inset = 33 * 0.11
    (first, *_, last) = A4.marker_boxes
    assert (first.left, first.top, first.width_mm, first.height_mm) == pytest.approx(
        (-54 + inset, 133.5 - inset, 25.74, 25.74)
    )
    assert (last.right, last.bottom) == pytest.approx((78 - inset, -64.5 + inset))
    assert len(A4.marker_boxes) == 15
    assert A4.cell(2, 1) == Box(-21, 67.5, 12, 100.5)
    assert A4.cell(-1, 2) == Box(-93, 34.5, -87, 67.5)
    assert A4.cell(5, -1) == Box(78, 133.5, 84, 139.5)
    assert A4.cell(0, 6) == Box(-87, -70.5, -54, -64.5)
    assert [is_black(column, row) for column, row in ((0, 0), (1, 0), (0, 1), (3, 1), (4, 5))] == [1, 0, 0, 1, 0]
    assert (A4.marker_ids, LETTER.marker_ids) == (range(30, 45), range(75, 90))


def test_what_else_a_layout_tells() -> None:
    assert (A4.stretch_sd, A4.fewest_good_corners) == (PRINT_STRETCH_SD, FEWEST_GOOD_CORNERS) == (0.0015, 12)
    assert CHECK_BAR_MM == 150.0


def test_modules_are_those_of_opencv_and_stay_so() -> None:
    modules = marker_modules()
    assert modules.shape == (120, 6, 6)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    for number in (0, 57, 119):
        bits = cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[number : number + 1], 4)
        assert (modules[number, 1:-1, 1:-1] == bits).all()
    assert not modules[:, [0, -1]].any()
    assert not modules[:, :, [0, -1]].any()
    with pytest.raises(ValueError, match="read-only"):
        modules[0, 0, 0] = True


def test_picture_knows_its_resolution() -> None:
    picture = Image.open(io.BytesIO(sheet_png(SheetLayout(Paper.A4, 2), 150)))
    assert picture.size == (1240, 1754)
    assert picture.info["dpi"] == pytest.approx((150, 150), abs=0.1)


@pytest.mark.parametrize("paper", list(Paper))
def test_pdf_has_one_page_in_true_size(paper: Paper) -> None:
    (page,) = PdfReader(io.BytesIO(sheet_pdf(SheetLayout(paper, 1)))).pages
    size_mm = [float(side) * 25.4 / 72 for side in (page.mediabox.width, page.mediabox.height)]
    assert size_mm == pytest.approx([paper.width_mm, paper.height_mm], abs=0.01)


@pytest.fixture(scope="module", params=list(Paper))
def printed(request: pytest.FixtureRequest) -> tuple[SheetLayout, NDArray]:
    """The PDF as a printer would see it, at 300 dots per inch."""
    layout = SheetLayout(request.param, 3)
    (page,) = pypdfium2.PdfDocument(sheet_pdf(layout))
    return layout, np.asarray(page.render(scale=DPI / 72, grayscale=True).to_pil(), dtype=np.float64)


def _edges_mm(line: NDArray) -> NDArray:
    """Where a line of grey levels crosses from white to black or back, in mm from its beginning."""
    return np.array(
        [
            (i + 0.5 + (127.5 - one) / (two - one)) / PX_PER_MM
            for i, (one, two) in enumerate(pairwise(line))
            if (one > 127.5) != (two > 127.5)
        ]
    )


def _across(page: NDArray, layout: SheetLayout, y_mm: float) -> NDArray:
    return _edges_mm(page[round((layout.page.top - y_mm) * PX_PER_MM)]) + layout.page.left


def test_printed_board_and_level_bar_have_their_size(printed: tuple[SheetLayout, NDArray]) -> None:
    layout, page = printed
    rim = _across(page, layout, layout.board.top - 2.0)
    assert rim[0] == pytest.approx(layout.board.left, abs=0.1)
    assert rim[-1] == pytest.approx(layout.board.right, abs=0.1)
    bar = _across(page, layout, layout.level_bar.top - 0.4)
    assert bar[-1] - bar[0] == pytest.approx(CHECK_BAR_MM, abs=0.1)


def test_a_ruler_finds_black_at_both_ends_of_the_whole_print_on_one_plumb_line(
    printed: tuple[SheetLayout, NDArray],
) -> None:
    layout, page = printed
    middle = layout.cell(1, -1).centre_mm[0]
    down = _edges_mm(page[:, round((middle - layout.page.left) * PX_PER_MM)])
    assert down[0] == pytest.approx(layout.page.top - layout.board.top, abs=0.1)
    assert down[-1] - down[0] == pytest.approx(layout.print_height_mm, abs=0.2)  # pixels that are touched are black


def test_printed_squares_have_their_size(printed: tuple[SheetLayout, NDArray]) -> None:
    layout, page = printed
    column = round((layout.core.left + 1.5 - layout.page.left) * PX_PER_MM)
    squares = _edges_mm(page[: round(layout.board.height_mm * PX_PER_MM), column])
    assert np.diff(squares) == pytest.approx(layout.square_mm, abs=0.1)


def test_printed_card_frame_fits_the_card(printed: tuple[SheetLayout, NDArray]) -> None:
    layout, page = printed
    for y_mm in (layout.card.bottom + ROUND_CORNER_MM, layout.card.top - ROUND_CORNER_MM):
        across = _across(page, layout, y_mm)
        left, right = (
            across[(across > low - 1) & (across < high + 1)]
            for low, high in (
                (layout.card_frame.left, layout.card_window.left),
                (layout.card_window.right, layout.card_frame.right),
            )
        )
        assert (len(left), len(right)) == (2, 2), "black as far as a card's edge is looked for"
        assert right.mean() - left.mean() == pytest.approx(CARD_WIDTH_MM, abs=0.1)


def test_picture_and_pdf_show_the_same_page(printed: tuple[SheetLayout, NDArray]) -> None:
    layout, page = printed
    picture = sheet_image(layout, DPI).astype(np.float64)
    rows, columns = min(page.shape[0], picture.shape[0]), min(page.shape[1], picture.shape[1])
    assert np.abs(page[:rows, :columns] - picture[:rows, :columns]).mean() < 2.5


@pytest.mark.parametrize("language", sorted(WORDS))
@pytest.mark.parametrize("paper", list(Paper))
def test_words_stay_in_their_rooms_and_are_read_at_arms_length(paper: Paper, language: str) -> None:
    """No line runs into a picture, out of its frame or over another; letters are 2.2 mm high (6 pt) at least."""
    layout = SheetLayout(paper, 1)
    texts = [shape for shape in sheet_shapes(layout, language) if isinstance(shape, Text)]
    assert len({text.words for text in texts}) > 12
    for text in texts:
        assert text.size_mm >= 2.2
        inside = layout.card_window if text.at_mm[0] < layout.card_frame.right else layout.words
        if not text.centred:
            assert inside.left <= text.at_mm[0]
            assert inside.bottom <= text.at_mm[1] <= inside.top
    page = sheet_image(layout, 100, language)
    right = round((layout.words.right + 0.5 - layout.page.left) * 100 / 25.4)
    assert page[:, right:].min() > 250 or right >= page.shape[1]
