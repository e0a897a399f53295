"""Makes the letters of charts in pixels from the Liberation fonts 2.1.5: `python subset.py FOLDER_OF_LIBERATION`.

Needs fonttools 4.68.0 from PyPI. What is left out: other scripts, hints, and all features but kerning and the placing of accents. The
licence (OFL-1.1, section 3) keeps the name of the fonts for the whole of them, so these bear names of their own.
"""

import sys
from pathlib import Path

from fontTools.subset import Options, Subsetter
from fontTools.ttLib import TTFont

# Latin as European languages and Vietnamese write it, Greek, Cyrillic, punctuation, raised and lowered figures, currencies, signs like
# degrees and numero, arrows, signs of arithmetic, shapes.
COVERED = [
    (0x20, 0x7E), (0xA0, 0x17F), (0x192, 0x192), (0x1A0, 0x1A1), (0x1AF, 0x1B0), (0x218, 0x21B), (0x2C6, 0x2DD), (0x300, 0x304),
    (0x306, 0x30C), (0x323, 0x328), (0x37E, 0x3CE), (0x400, 0x45F), (0x490, 0x491), (0x1E9E, 0x1E9E), (0x1EA0, 0x1EF9),
    (0x2000, 0x206F), (0x2070, 0x209F), (0x20A0, 0x20CF), (0x2100, 0x2126), (0x2153, 0x215E), (0x2190, 0x2195), (0x2200, 0x2265),
    (0x25A0, 0x25E6),
]
FACES = {"LiberationSans-Regular": "Chart Sans", "LiberationSans-Bold": "Chart Sans", "LiberationSerif-Bold": "Chart Serif"}

folder, here = Path(sys.argv[1]), Path(__file__).parent
for file, family in FACES.items():
    font = TTFont(folder / f"{file}.ttf", recalcTimestamp=False)
    options = Options(hinting=False, layout_features=["kern", "mark", "mkmk", "ccmp", "locl"], name_IDs=[0, 1, 2, 3, 4, 5, 6, 13, 14])
    options.drop_tables += ["FFTM"]
    subsetter = Subsetter(options)
    subsetter.populate(unicodes=[code for first, last in COVERED for code in range(first, last + 1)])
    subsetter.subset(font)
    style = file.split("-")[1]
    for name, text in {1: family, 3: f"{family} {style}", 4: f"{family} {style}", 6: f"{family}-{style}".replace(" ", "")}.items():
        font["name"].setName(text, name, 3, 1, 0x409)
    font["name"].removeNames(platformID=1)
    font.save(here / f"{family}-{style}.ttf".replace(" ", ""))
