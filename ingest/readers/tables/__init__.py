"""What stands in a table file, cell by cell?

A raw table (raw) from CSV (csv_file, csv_text), Parquet or a workbook (xlsx, xlsx_errors); which
table it is, by its name or its columns (recognise, header).
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
