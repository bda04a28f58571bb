# Three questions to an export, answered by R without further packages: Rscript questions.R FOLDER
# `questions.sql` beside this one has the same questions, and says what the answers mean.

given <- commandArgs(trailingOnly = TRUE)
folder <- if (length(given) > 0) given[1] else "."
# Ids keep their leading zeros; an empty field is not known.
read <- function(table) {
  read.csv(file.path(folder, "current", paste0(table, ".csv")), na.strings = "",
           colClasses = c(patient_id = "character"), stringsAsFactors = FALSE)
}
exams <- read("exams")
rows <- read("assessments")
baselines <- suppressWarnings(read("baselines"))
answer <- function(table) {
  numbers <- vapply(table, is.double, TRUE)
  table[numbers] <- lapply(table[numbers], round, 3)
  write.csv(table, row.names = FALSE, quote = FALSE, na = "")
  cat("\n")
}

# Who rose?
flagged <- exams$exam_id[exams$flagged == "true"]
rose <- rows[rows$exam_id %in% flagged & rows$status %in% c("above_expected", "well_above_expected"), ]
rose$day <- substr(rose$performed_at, 1, 10)
rose <- rose[order(rose$patient_id, rose$day, rose$eye), ]
answer(rose[c("patient_id", "day", "eye", "status", "change_mm", "smallest_change_mm")])

both <- rows[rows$eye == "both", c("exam_id", "measured_mm", "change_mm")]
well <- merge(exams[exams$label %in% "well", c("exam_id", "patient_id", "device_id", "age_years")], both)

# Which device reads high?
used <- baselines[baselines$used == "true", c("exam_id", "earlier_exam_id")]
used$before <- exams$device_id[match(used$earlier_exam_id, exams$exam_id)]
one <- tapply(used$before, used$exam_id, function(of) if (length(unique(of)) == 1) of[1] else NA)
well$before <- as.character(one[match(well$exam_id, names(one))])
compared <- well[!is.na(well$change_mm) & !is.na(well$device_id) & !is.na(well$before), ]
groups <- split(compared, list(compared$device_id, compared$before), drop = TRUE)
devices <- do.call(rbind, lapply(groups, function(of) {
  data.frame(device = of$device_id[1], baseline_device = of$before[1], exams = nrow(of),
             patients = length(unique(of$patient_id)), mean_change_mm = mean(of$change_mm),
             standard_error_mm = sd(of$change_mm) / sqrt(nrow(of)))
}))
if (is.null(devices)) {
  devices <- data.frame(device = character(), baseline_device = character(), exams = integer(),
                        patients = integer(), mean_change_mm = double(), standard_error_mm = double())
}
answer(devices[order(devices$device, devices$baseline_device), ])

# How much do healthy children grow here?
children <- well[!is.na(well$age_years) & well$age_years >= 0.25 & well$age_years <= 10 & !is.na(well$measured_mm), ]
children <- children[ave(children$measured_mm, children$patient_id, FUN = length) > 1, ]
x <- log(children$age_years)
x <- x - ave(x, children$patient_id)
y <- children$measured_mm - ave(children$measured_mm, children$patient_id)
sxx <- sum(x^2)
count <- length(unique(children$patient_id))
slope <- if (sxx > 0) sum(x * y) / sxx else NA_real_
left <- length(x) - count - 1
error <- if (left > 0) sqrt((sum(y^2) - slope^2 * sxx) / left / sxx) else NA_real_
answer(data.frame(children = count, exams = length(x), mm_per_ln_year = slope, standard_error = error))
