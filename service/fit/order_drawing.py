"""The drawing that an order is sent with: an instrument from behind, and where a shop lays the ruler.

The body is the mean outline of `vision.instrument.shape` (widths 168, 112 and 208 mm at 356 mm of length), reduced to
the nodes that a drawing of this size needs; neck, pegbox and scroll have the proportions of a full-size violin (body
356, whole 590 mm; the trade's usual measures, from memory).  Colours are attributes, so that a page's style sheet puts
its own in their place, in the dark too; alone the drawing has a light ground.
"""

from __future__ import annotations

from service.fit.sentences import Translate, say, unchanged

BODY = (
    "M180.0 394.0 L194.9 393.1 L207.4 390.6 L219.4 386.4 L230.5 380.0 L238.3 372.8 L244.1 363.9 L247.0 "
    "355.9 L248.2 345.4 L247.7 339.3 L246.3 333.3 L239.7 317.8 L238.0 312.4 L238.1 307.0 L239.3 303.9 "
    "L241.1 301.2 L239.6 298.0 L234.6 296.9 L231.5 295.6 L227.2 292.9 L223.6 289.4 L219.2 282.2 L217.6 "
    "277.5 L216.7 272.5 L217.0 262.5 L218.1 257.6 L219.9 253.0 L223.8 247.6 L226.5 245.8 L229.7 244.9 "
    "L231.1 241.6 L229.1 237.8 L228.8 233.4 L230.1 227.1 L234.1 213.9 L235.2 206.2 L234.7 198.8 L232.6 "
    "191.2 L229.1 184.3 L224.3 178.0 L218.5 172.7 L212.0 168.3 L205.0 164.8 L197.5 162.3 L187.9 160.4 "
    "L180.0 160.0 L172.1 160.4 L162.5 162.3 L155.0 164.8 L148.0 168.3 L141.5 172.7 L135.7 178.0 L130.9 "
    "184.3 L127.4 191.2 L125.3 198.8 L124.8 206.2 L125.9 213.9 L129.9 227.1 L131.2 233.4 L130.9 237.8 "
    "L128.9 241.6 L130.3 244.9 L133.5 245.8 L136.2 247.6 L140.1 253.0 L141.9 257.6 L143.0 262.5 L143.3 "
    "272.5 L142.4 277.5 L140.8 282.2 L136.4 289.4 L132.8 292.9 L128.5 295.6 L125.4 296.9 L120.4 298.0 "
    "L118.9 301.2 L120.7 303.9 L121.9 307.0 L122.0 312.4 L120.3 317.8 L113.7 333.3 L112.3 339.3 L111.8 "
    "345.4 L113.0 355.9 L115.9 363.9 L121.7 372.8 L129.5 380.0 L140.6 386.4 L152.6 390.6 L165.1 393.1Z"
)


def drawing_svg(translate: Translate = unchanged, language: str = "en") -> str:
    """Draw where a shop measures: an instrument from behind with its two lengths, as SVG text."""
    body = say("Body length").text(translate, language)
    total = say("Total length").text(translate, language)
    return DRAWING.format(body=body, total=total, outline=BODY)


DRAWING = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 360 420" width="360" height="420" role="img"
 class="order-drawing" font-family="sans-serif" font-size="19" font-weight="600" fill="none" stroke="#2b1e15"
 stroke-width="2.2" stroke-linecap="round" stroke-linejoin="round">
<title>{body}, {total}</title>
<rect class="o-ground" width="360" height="420" fill="#fffdf8" stroke="none"/>
<g class="o-line"><path class="o-wood" fill="#e9c9a0" d="{outline}"/>
<path class="o-thin" stroke-width="1" d="M180 160V390"/>
<path class="o-wood" fill="#e9c9a0" d="M169 161 L172 78 H188 L191 161 Z"/>
<path class="o-wood" fill="#e9c9a0" d="M168.500 160.500 A11.500 10 0 0 0 191.500 160.500 Z"/>
<path class="o-dark" fill="#3a2a1f" d="M153 62 h12 M150 58 a5 5 0 0 0 0 8 z M195 54 h12 M210 50 a5 5 0 0 1 0 8 z
M155 46 h11 M152 42 a5 5 0 0 0 0 8 z M194 39 h12 M209 35 a5 5 0 0 1 0 8 z"/>
<path class="o-wood" fill="#e9c9a0" d="M171 79 L168 62 L170 36 C166 31 166 24 171 19 C171 10 175 6 180 6 C185 6 189 10
189 19 C194 24 194 31 190 36 L192 62 L189 79 Z"/>
<path class="o-thin" stroke-width="1.200" d="M174 72 C173 56 175 30 178 12 M186 72 C187 56 185 30 182 12"/>
<path class="o-dark" stroke-width="6" d="M180 396 V400"/></g>
<g class="o-body" stroke="#1f5f8b"><path d="M262 160 H318 M262 394 H318" stroke-width="1.200" stroke-dasharray="1 5"/>
<path d="M304 164 V390 M297 176 L304 162 L311 176 M297 378 L304 392 L311 378"/></g>
<g class="o-whole" stroke="#9a3412"><path d="M150 6 H42 M98 394 H42" stroke-width="1.200" stroke-dasharray="1 5"/>
<path d="M56 10 V390 M49 22 L56 8 L63 22 M49 378 L56 392 L63 378"/></g>
<g stroke="none"><text class="o-body-text" fill="#1f5f8b"
 transform="translate(332 277) rotate(90)" text-anchor="middle">{body}</text>
<text class="o-whole-text" fill="#9a3412"
 transform="translate(38 200) rotate(-90)" text-anchor="middle">{total}</text></g>
</svg>
"""
