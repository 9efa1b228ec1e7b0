"""Write a simulated term of an invented school as the tables `kerfmark evidence` takes: python examples/simulated_term.py term.csv [seed]."""

import sys
from pathlib import Path

from kerfmark.demo.term import Term, term_text, write_beside

if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("expected where to write the table: python examples/simulated_term.py term.csv [seed]")
    out, seed = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 7
    out.write_text(term_text(Term(), seed=seed), encoding="utf-8")
    beside = write_beside(out.parent, stem=out.stem, seed=seed)
    print(
        f"{out}: a simulated term, seed {seed}, and beside it {', '.join(path.name for path in beside.values())}. Look at it with:\n"
        f"kerfmark evidence {out} --exercise {beside['content']} --panel {beside['panel']} --earlier 'last year={beside['earlier']}' "
        f"--actions {beside['actions']} --simulated --html evidence.html --pdf evidence.pdf"
    )
