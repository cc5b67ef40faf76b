import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[0]), str(HERE.parents[0] / "vector"), str(HERE.parents[0] / "integer")]
