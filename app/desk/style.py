"""What the page's own looks need beside the theme: a strip that stays, large targets, paper.

What is wider than its place scrolls there by itself; on a telephone a line says so.
"""

from __future__ import annotations

from base64 import b64encode
from html import escape

import streamlit as st

from desk.results import Drawn

#: The strip stays in sight; what is touched is 44 pixels high and wide; pictures are turned to
#: light ink where the page is dark; on a telephone nothing is wider than the screen, letters in
#: pictures are as large as in small print, and Undo and Redo lie at the thumb while there is
#: anything to take back.
CSS = """
<style>
.stMainBlockContainer { padding: 0.25rem 1.5rem 4rem; max-width: 1500px; }
header[data-testid="stHeader"] { display: none; }
div:has(> .st-key-strip) { position: sticky; top: 0; z-index: 90; }
.st-key-strip { background: light-dark(#ffffff, #12181b); padding: 0.5rem 0;
  border-bottom: 2px solid currentColor; gap: 0.4rem; }
div:has(> .st-key-top) { display: none; }
.st-key-strip [data-testid="stMarkdownContainer"] { margin-bottom: 0; }
.st-key-strip p { margin: 0; line-height: 1.35; }
.stMain button, .stMain summary, .stMain [data-baseweb="select"] > div,
.stMain [data-testid="stSelectbox"] [role="group"],
.stMain [data-testid="stTextInputRootElement"],
.stMain [data-testid="stSlider"] [role="group"],
.stMain [data-testid="stSlider"] [role="group"] > div,
.stMain [data-testid="stCheckbox"] label, .stMain [data-testid="stNumberInputContainer"] {
  min-height: 44px !important; }
.stMain [data-testid="stTooltipIcon"] button, .stMain [role="radiogroup"] button,
.stMain [data-testid="stNumberInputContainer"] button,
.stMain [data-testid="stSelectbox"] [role="group"] button { min-width: 44px; }
.stMain [data-testid="stTooltipIcon"] button { display: flex; align-items: center;
  justify-content: flex-end; }
.stMain [data-testid="stCheckbox"] label { align-items: center; }
.stMain [data-testid="stSelectbox"] input { align-self: center; }
.stMain [data-testid="stTextInputRootElement"] input { min-height: 42px; }
.stColumn [data-testid="stWidgetLabel"] { max-width: 100%; height: auto; }
.stColumn [data-testid="stWidgetLabel"] * { min-width: 0; max-width: 100%; }
.stColumn [data-testid="stWidgetLabel"] p { white-space: normal; overflow-wrap: anywhere; }
.st-key-as-text textarea { font-family: "Source Code Pro", monospace; font-size: 0.9rem; }
.stMain [role="radiogroup"] { flex-wrap: wrap; }
[role="option"] { min-height: 44px !important; }
.stMain h3 { font-size: 1.15rem; padding: 0.2rem 0; }
.stMain h2 { font-size: 1.4rem; padding: 0.4rem 0; }
.stMain [data-baseweb="select"] > div > div { align-items: center; }
.stMain [data-testid="stCaptionContainer"] { color: inherit; opacity: 0.85;
  margin: -0.6rem 0 -0.6rem; }
.stMain [data-testid="stCaptionContainer"] p { margin: 0; }
img.picture { display: block; width: 100%; background: #fff; border-radius: 8px; padding: 8px;
  border: 1px solid #d3dade; box-sizing: border-box; }
div.wide { overflow-x: auto; }
div.slide p.more { display: none; margin: 0; font-size: 0.85rem; }
div.wide table { border-collapse: collapse; font-size: 0.9rem;
  font-variant-numeric: tabular-nums; }
div.wide caption { text-align: left; font-weight: 600; padding: 0.3rem 0; }
div.wide th, div.wide td { text-align: left; padding: 0.25rem 0.7rem 0.25rem 0;
  border-bottom: 1px solid rgba(128, 128, 128, 0.35); vertical-align: top; }
div.wide td:not(.num):not(.mid) { min-width: 7rem; }
div.wide td:last-child:not(.num):not(.mid) { min-width: 12rem; }
div.wide .num { text-align: right; white-space: nowrap; }
div.wide .mid { text-align: center; }
div.wide td.part { min-width: 11rem; }
div.wide tr.strong td { font-weight: 700; }
div.wide small { font-weight: 400; }
@media (max-width: 640px) {
  .stMainBlockContainer { padding: 0.25rem 0.6rem 5rem; }
  .st-key-strip { padding: 0.25rem 0; gap: 0.25rem; }
  .st-key-strip p { font-size: 0.8rem; line-height: 1.3; }
  .st-key-strip [data-testid="stMarkdownContainer"] { max-height: 5.2em; overflow-y: auto; }
  .st-key-undo, .st-key-redo { position: fixed; bottom: 0.75rem; right: 0.75rem; z-index: 95; }
  .st-key-undo { right: 5.5rem; }
  .st-key-undo:has(button:disabled), .st-key-redo:has(button:disabled) { display: none; }
  .st-key-undo button, .st-key-redo button { width: 4.5rem; border-color: currentColor;
    background: light-dark(#ffffff, #12181b); }
  .st-key-strip [role="radiogroup"] { flex-wrap: nowrap; }
  .st-key-strip [role="radiogroup"] button, .st-key-strip [role="radiogroup"] label {
    padding-left: 0.4rem; padding-right: 0.4rem; }
  img.picture { min-width: 800px; }
  img.picture.fits { min-width: 640px; }
}
@media screen and (max-width: 640px) { div.slide p.more { display: block; } }
@media screen and (prefers-color-scheme: dark) {
  img.picture { filter: invert(0.93) hue-rotate(180deg); }
}
@page { margin: 12mm; }
@media print {
  .stApp, .stMain, [data-testid="stAppViewContainer"], .stAppViewContainer {
    position: static !important; overflow: visible !important; height: auto !important; }
  div:has(> .st-key-strip) { position: static; }
  .stMain button, .stMain [role="radiogroup"], .stMain [data-testid="stSlider"],
  .stMain [data-testid="stFileUploader"], .stMain [data-testid="stButtonGroup"],
  .stMain [data-testid="stCheckbox"] { display: none !important; }
  /* one below the other: what stands side by side is too narrow on paper, and a page break in it
     prints one thing over another */
  .stMain [data-testid="stVerticalBlock"], .stMain [data-testid="stHorizontalBlock"],
  .stMain [data-testid="stLayoutWrapper"], .stMain .stColumn {
    display: block !important; width: 100% !important; height: auto !important; }
  .stMain [data-testid="stElementContainer"] { margin-bottom: 0.5rem; }
  .stMain [data-testid="stCaptionContainer"] { margin: 0; }
  .stMain [data-testid="stAlert"], .stMain .stTextInput, .stMain .stSelectbox {
    break-inside: avoid; }
  .stMain h2, .stMain h3 { break-after: avoid; }
  div.wide { overflow: visible; }
  div.slide p.more { display: none; }
  div.wide tr, img.picture { break-inside: avoid; }
  img.picture, img.picture.fits { min-width: 0; border: none; padding: 0; }
  img.picture.fits { max-width: 130mm !important; }
  div.wide table { font-size: 0.8rem; }
  div.wide table:has(th:nth-child(8)) { font-size: 0.62rem; }
  div.wide th, div.wide td { padding-right: 0.45rem; }
  div.wide td:not(.num):not(.mid), div.wide td:last-child:not(.num):not(.mid),
  div.wide td.part { min-width: 0; }
  div.wide th.num { white-space: normal; }
  .stMainBlockContainer { max-width: none; padding: 0; }
}
</style>
"""


def apply() -> None:
    """Put the looks on the page."""
    st.html(CSS)


WIDEST = 1100
"""So wide is a picture at most [px]."""


def picture(drawn: Drawn, look: str, *, widest: int = WIDEST, fits: bool = False) -> None:
    """Show a picture with its text alternative, and a sentence on what to look at.

    One that ``fits`` has large letters: half the width of a page does for it.
    """
    data = b64encode(drawn.svg.encode()).decode()
    kind = "picture fits" if fits else "picture"
    wide(
        f'<img class="{kind}" style="max-width: {widest}px" '
        f'alt="{escape(drawn.alt, quote=True)}" src="data:image/svg+xml;base64,{data}">'
    )
    st.caption(f"**Look at:** {look}")


def wide(content: str) -> None:
    """Show what may be wider than its place: it scrolls there, and says so where it does."""
    st.html(
        '<div class="slide"><p class="more" aria-hidden="true">What is wider slides sideways →</p>'
        f'<div class="wide" tabindex="0">{content}</div></div>'
    )


def start_at_top(view: str) -> None:
    """Scroll to the top where another view is drawn than before."""
    body = f"document.querySelector('.stMain')?.scrollTo(0, 0) /* {view} */"
    with st.container(key="top"):
        st.html(f"<script>{body}</script>", unsafe_allow_javascript=True)
