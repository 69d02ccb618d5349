"""Write the committed sample again: python -m synthetic_data"""

from __future__ import annotations

import shutil
from pathlib import Path

from synthetic_data.exports import write_sample

if __name__ == "__main__":
    sample = Path(__file__).parent / "sample"
    shutil.rmtree(sample, ignore_errors=True)
    made = write_sample(sample)
    print(f"Wrote {sum(made.rows.values())} rows in {len(made.rows)} files to {sample}")
