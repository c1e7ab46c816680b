from .composing import Letter as Letter
from .composing import letter as letter
from .mail import eml as eml
from .page import html_page as html_page
from .text import plain_text as plain_text
