"""The colours of both themes and of paper, each named by its role."""

# One name a role, one value a theme. Text roles keep a contrast of at least 4.5 : 1 on
# `paper` and `surface`, marks one of 3 : 1 (tests/dashboard/figures/test_theme.py computes them).
LIGHT: dict[str, str] = {
    "paper": "#f3f4f0",
    "surface": "#fdfdfb",
    "sunken": "#e9ebe4",
    "ink": "#1d2b2f",
    "muted": "#51606a",
    "rule": "#cfd4cc",
    "rule_strong": "#7c8782",
    "accent": "#125a63",
    "accent_ink": "#fbfdfc",
    "accent_soft": "#dcebea",
    "focus": "#b4430f",
    "out": "#a02f1f",
    "out_soft": "#f6e0da",
    "due": "#7d4f00",
    "due_soft": "#f6e8cb",
    "soon": "#4d4f93",
    "soon_soft": "#e5e5f3",
    "ok": "#2c6346",
    "ok_soft": "#dfebe1",
    "unknown": "#59636b",
    "unknown_soft": "#e6e8e8",
    "band": "rgba(18,90,99,0.17)",
    "band_ahead": "rgba(18,90,99,0.09)",
    "beyond": "rgba(160,47,31,0.055)",
    "comparison": "#8a6a3c",
    "event": "#5f4b86",
    "veil": "rgba(0,0,0,0.45)",
}
DARK: dict[str, str] = {
    "paper": "#11191c",
    "surface": "#182226",
    "sunken": "#0c1315",
    "ink": "#e4eae8",
    "muted": "#a3b2b3",
    "rule": "#314046",
    "rule_strong": "#7e9096",
    "accent": "#7cc9cc",
    "accent_ink": "#0c1719",
    "accent_soft": "#1f3a3e",
    "focus": "#ffb27d",
    "out": "#ff9d87",
    "out_soft": "#47241e",
    "due": "#efc26c",
    "due_soft": "#3f3117",
    "soon": "#b9bbf2",
    "soon_soft": "#2c2e4c",
    "ok": "#8ccfa6",
    "ok_soft": "#1e3a2b",
    "unknown": "#b0bbc0",
    "unknown_soft": "#2b363b",
    "band": "rgba(124,201,204,0.22)",
    "band_ahead": "rgba(124,201,204,0.11)",
    "beyond": "rgba(255,157,135,0.075)",
    "comparison": "#d3b27d",
    "event": "#c3aeea",
    "veil": "rgba(0,0,0,0.6)",
}
# In print: the light theme's marks, in black on white, whatever the screen shows.
PAPER: dict[str, str] = LIGHT | {"paper": "#ffffff", "surface": "#ffffff", "ink": "#000000"}


def css_variables() -> str:
    """Return the style sheet of all colours; the reader's choice beats the system's."""
    light, dark = _declarations(LIGHT, "light"), _declarations(DARK, "dark")
    return (
        f":root{{{light}}}\n"
        f"@media (prefers-color-scheme:dark){{:root:not([data-theme=light]){{{dark}}}}}\n"
        f":root[data-theme=dark]{{{dark}}}\n"
        f"@media print{{:root:root:root{{{_declarations(PAPER, 'light')}}}}}\n"
    )


def _declarations(palette: dict[str, str], scheme: str) -> str:
    names = (f"--{name.replace('_', '-')}:{value};" for name, value in palette.items())
    return f"color-scheme:{scheme};" + "".join(names)
