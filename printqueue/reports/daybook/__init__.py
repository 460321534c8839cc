"""The daybook: the service's own page, daybook/index.html, and one page for each month of work.

entries.py  what the pages show
gather.py   ledger, papers and folders → entries
pages.py    entries → HTML
html.py     HTML in which every string is escaped
style.css   how it looks: light and dark, on a phone, on paper
keeper.py   writes what has changed, atomically

Plain files: no script, no server, no network. Their contents come from the ledger and the folders, so a lost page is
simply written again.
"""

from printqueue.reports.daybook.keeper import Daybook

__all__ = ["Daybook"]
