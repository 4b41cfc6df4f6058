"""Files written and imported for a test."""

import pandas as pd
import pytest

from analysis.cohort import import_cohort


def cohort_of(file, map_file):
    return import_cohort(file, map_file).cohort


@pytest.fixture
def files(tmp_path):
    """Write files and a map, import them."""

    def run(map_text, call=cohort_of, /, path="data.csv", **contents):
        for name, content in contents.items():
            target = tmp_path / "in" / name.replace("__", ".")
            target.parent.mkdir(exist_ok=True)
            if isinstance(content, pd.DataFrame):
                content.to_csv(target, index=False)
            else:
                target.write_text(content, encoding="utf-8")
        (tmp_path / "map.toml").write_text(map_text, encoding="utf-8")
        return call(tmp_path / "in" / path, tmp_path / "map.toml")

    return run
