"""Letters for PDF: see LICENSE."""
