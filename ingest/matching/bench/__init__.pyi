from .bench_sheet import read_bench as read_bench
from .roles import by_words as by_words
from .roles import headed_as_bench as headed_as_bench
from .slopes import conventions as conventions
