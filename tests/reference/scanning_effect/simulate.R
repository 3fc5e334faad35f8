# Rscript simulate.R, in this folder; R 4.2.2, nlme 3.1-162, survival 3.5-3.
library(nlme); library(survival)
set.seed(16)
ages <- seq(7, 147, by = 14)
birds <- expand.grid(i = 1:10, strain = c("Alder", "Birch"))
birds$bird <- paste0(substr(birds$strain, 1, 1), birds$i)
birds$scanned <- birds$i <= 4
rows <- do.call(rbind, lapply(seq_len(nrow(birds)), function(k) {
  b <- birds[k, ]
  A <- c(Alder = 1700, Birch = 1500)[[as.character(b$strain)]] * exp(0.05 * rnorm(1)) * (if (b$scanned) 0.98 else 1)
  y <- A * exp(-exp(-0.03 * (ages - c(Alder = 55, Birch = 52)[[as.character(b$strain)]]))) + 12 * rnorm(length(ages))
  data.frame(bird = b$bird, strain = b$strain, age_d = ages, weight_g = round(y, 1), scanned = b$scanned)
}))
write.csv(rows[, c("bird", "strain", "age_d", "weight_g")], "weighings.csv", row.names = FALSE, quote = FALSE)
rows$cell <- factor(paste(rows$strain, rows$scanned))
rows$bird <- factor(rows$bird)
fit <- nlme(weight_g ~ exp(la) * exp(-exp(-exp(lk) * (age_d - ti))), rows,
  fixed = list(la ~ cell - 1, lk ~ cell - 1, ti ~ cell - 1), random = la ~ 1 | bird,
  start = c(rep(log(1600), 4), rep(log(0.03), 4), rep(53, 4)), method = "REML",
  control = nlmeControl(tolerance = 1e-8, pnlsTol = 1e-5, minScale = 1e-12, maxIter = 500, msMaxIter = 500))
b <- fixef(fit); V <- vcov(fit)
value <- function(b, cell, t) exp(b[cell]) * exp(-exp(-exp(b[4 + cell]) * (t - b[8 + cell])))
percent <- function(s, t) {
  a <- match(paste(s, "TRUE"), levels(rows$cell)); o <- match(paste(s, "FALSE"), levels(rows$cell))
  d <- function(b) value(b, a, t) - value(b, o, t)
  g <- sapply(seq_along(b), function(j) { h <- 1e-6 * max(1, abs(b[j])); u <- b; l <- b; u[j] <- u[j] + h; l[j] <- l[j] - h; (d(u) - d(l)) / (2 * h) })
  r <- value(b, o, t)
  c(estimate = unname(100 * d(b) / r), se = unname(100 * sqrt(c(g %*% V %*% g)) / r))
}
# nlme's errors of the fixed effects are too small here (8 % with 16 degrees of freedom): the errors
# are those of the birds' mean log weights from 49 d on, one number a bird.
late <- aggregate(log(weight_g) ~ bird + strain + scanned, rows[rows$age_d >= 49, ], mean); names(late)[4] <- "y"
sigma <- summary(lm(y ~ strain * scanned, late))$sigma
of_strain <- 100 * sigma * sqrt(1 / 4 + 1 / 6)
out <- c()
for (t in c(84, 140)) {
  p <- sapply(c("Alder", "Birch"), percent, t = t)
  w <- 1 / p["se", ]^2
  all <- c(sum(w * p["estimate", ]) / sum(w), 1 / sqrt(sum(w)))
  for (s in colnames(p)) out <- c(out, sprintf('"%s_%d": {"estimate": %.10f, "std_error": %.10f}', s, t, p["estimate", s], of_strain))
  out <- c(out, sprintf('"all_%d": {"estimate": %.10f, "std_error": %.10f}', t, all[1], of_strain / sqrt(2)))
}
# The demo's first eggs: birds scanned from 21 d on against birds never scanned, days from the
# day before the first egg of all.
onset <- read.csv("../../../data-demo/onset.csv"); scans <- read.csv("../../../data-demo/scans.csv")
names <- read.csv("../../../data-demo/birds.csv")
scanned <- unique(unlist(strsplit(scans$bird[scans$feathers == "intact"], "+", fixed = TRUE)))
onset$scanned <- onset$bird %in% scanned
onset$strain <- names$strain[match(onset$bird, names$bird)]
L <- min(onset$first_egg_age_d, na.rm = TRUE) - 1
onset$event <- !is.na(onset$first_egg_age_d)
onset$time <- ifelse(onset$event, onset$first_egg_age_d, onset$last_seen_age_d) - L
onset <- onset[onset$time > 0, ]
dists <- c("weibull", "lognormal", "loglogistic")
aic <- sapply(dists, function(d) AIC(survreg(Surv(time, event) ~ strain, onset, dist = d)))
best <- dists[which.min(aic)]
s <- survreg(Surv(time, event) ~ strain + scanned, onset, dist = best)
M <- mean(predict(s, transform(onset, scanned = FALSE)[onset$scanned, ], type = "quantile", p = 0.5))
lb <- coef(s)[["scannedTRUE"]]; se <- sqrt(diag(vcov(s)))[["scannedTRUE"]]
out <- c(out, sprintf('"first_egg": {"family": "%s", "landmark_d": %d, "scanned": %d, "unscanned": %d, "log_ratio": %.10f, "log_error": %.10f, "median_d": %.8f}', best, L, sum(onset$scanned), sum(!onset$scanned), lb, se, M))
writeLines(paste0("{\n  ", paste(out, collapse = ",\n  "), "\n}"), "expected.json")
