"""The page under a name that is not answered to, which gets nothing else: no style sheet either."""

from html import escape

STYLE = (
    "body{margin:0 auto;padding:1rem;max-width:40rem;font:1rem/1.45 system-ui,sans-serif;"
    "background:#f6f9f4;color:#1d283b}h1{font-size:1rem}p{font-size:1.125rem}"
    "@media (prefers-color-scheme:dark){body{background:#112136;color:#e5eff2}}"
)


def stranger_page(sentence: str) -> str:
    """A whole document that says it, in `STYLE`."""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Another name · Longsoak</title><style>{STYLE}</style></head>"
        f"<body><main><h1>Not under this name</h1><p>{escape(sentence.strip())}</p></main>"
        "</body></html>"
    )
