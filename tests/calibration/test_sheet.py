"""The sheet's sizes, and that the PDF prints in true size."""

from __future__ import annotations

import io
from itertools import pairwise

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
    MARKERS_PER_SHEET,
    ROUND_CORNER_MM,
    Box,
    Paper,
    SheetLayout,
    all_layouts,
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
    with pytest.raises(ValueError, match="1 to 4"):
        SheetLayout(Paper.A4, 5)


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
