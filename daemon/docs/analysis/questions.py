"""Three questions to an export, answered by pandas: python questions.py FOLDER

`questions.sql` beside this one has the same questions, and says what the answers mean.
"""

import sys

import numpy as np
import pandas as pd

folder = sys.argv[1] if len(sys.argv) > 1 else "."
# Ids keep their leading zeros.
names = {"patient_id": str, "exam_id": str, "earlier_exam_id": str, "device_id": str}
exams, rows, baselines = (
    pd.read_csv(f"{folder}/current/{table}.csv", dtype=names) for table in ("exams", "assessments", "baselines")
)

# Who rose?
flagged = rows[rows["exam_id"].isin(exams.loc[exams["flagged"], "exam_id"])]
rose = flagged[flagged["status"].isin(["above_expected", "well_above_expected"])]
rose = rose.assign(day=rose["performed_at"].str[:10]).sort_values(["patient_id", "day", "eye"])
rose = rose[["patient_id", "day", "eye", "status", "change_mm", "smallest_change_mm"]]

both = rows.loc[rows["eye"] == "both", ["exam_id", "measured_mm", "change_mm"]]
well = exams.loc[exams["label"] == "well", ["exam_id", "patient_id", "device_id", "age_years"]].merge(both)

# Which device reads high?
used = baselines[baselines["used"]].merge(
    exams[["exam_id", "device_id"]].rename(columns={"exam_id": "earlier_exam_id", "device_id": "before"})
)
earlier = used.groupby("exam_id")["before"].agg(before="min", devices=lambda one: one.nunique(dropna=False))
earlier = earlier.loc[earlier["devices"] == 1, ["before"]].reset_index()
compared = well.dropna(subset=["change_mm", "device_id"]).merge(earlier)
devices = compared.groupby(["device_id", "before"]).agg(
    exams=("exam_id", "size"),
    patients=("patient_id", "nunique"),
    mean_change_mm=("change_mm", "mean"),
    standard_error_mm=("change_mm", "sem"),
)
devices = devices.rename_axis(["device", "baseline_device"]).reset_index()

# How much do healthy children grow here?
children = well[well["age_years"].between(0.25, 10) & well["measured_mm"].notna()]
children = children[children.groupby("patient_id")["exam_id"].transform("size") > 1]
child = children["patient_id"]
x = np.log(children["age_years"])
x, y = x - x.groupby(child).transform("mean"), children["measured_mm"]
y = y - y.groupby(child).transform("mean")
sxx = (x * x).sum()
slope = (x * y).sum() / sxx if sxx > 0 else np.nan
left = len(x) - child.nunique() - 1
error = np.sqrt((y * y).sum() - slope**2 * sxx) / np.sqrt(left * sxx) if left > 0 else np.nan
growth = pd.DataFrame(
    [{"children": child.nunique(), "exams": len(x), "mm_per_ln_year": slope, "standard_error": error}]
)

for answer in (rose, devices, growth):
    print(answer.round(3).to_csv(index=False))
