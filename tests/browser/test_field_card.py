"""The field card, printed from its page, is one sheet on either side of the ocean."""

import re

import pytest
from markdown_it import MarkdownIt

STYLE = """
body { font: 11pt sans-serif; margin: 0 }
h1 { font-size: 16pt; margin: 0 0 6pt } h2 { font-size: 12pt; margin: 8pt 0 2pt } p, ol, ul { margin: 3pt 0 }
table { border-collapse: collapse } td, th { border: 1px solid #999; padding: 2px 6px; text-align: left }
"""


def sheets(page, markdown, paper):
    page.set_content(f"<style>{STYLE}</style>{MarkdownIt('commonmark').enable('table').render(markdown)}")
    printed = page.pdf(format=paper, margin=dict.fromkeys(("top", "bottom", "left", "right"), "15mm"))
    return len(re.findall(rb"/Type\s*/Page\b", printed))  # PDF 1.7, section 7.7.3.3: one such object for each sheet


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_field_card_is_one_sheet(page, root, paper):
    card = (root / "docs" / "field-card.md").read_text(encoding="utf-8")
    assert sheets(page, card, paper) == 1
    assert sheets(page, card + card, paper) == 2
