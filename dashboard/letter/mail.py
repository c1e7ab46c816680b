"""A letter as an e-mail, for a program that sends it."""

from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from dashboard import theme
from dashboard.letter.composing import Letter
from dashboard.letter.page import html_page
from dashboard.letter.text import plain_text


def eml(letter: Letter, *, at: datetime) -> bytes:
    """Return a letter as a message (RFC 5322): its text, and the same as HTML.

    at: when it was written, with its zone. Whoever sends it puts in from whom and to whom.
    """
    message = EmailMessage(policy=SMTP.clone(linesep="\n", cte_type="7bit"))
    message["Subject"] = letter.title.replace(theme.NBSP, " ")
    message["Date"] = format_datetime(at)
    message.set_content(plain_text(letter))
    message.add_alternative(html_page(letter), subtype="html")
    return message.as_bytes()
