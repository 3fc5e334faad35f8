# Brier score with inverse probability of censoring weights, by hand from survfit's curve of
# the censoring (Graf et al. 1999, formula at a time t): Rscript brier.R, in this folder.
library(survival)
d <- na.omit(lung[, c("time", "status", "age", "ph.ecog")])
d$event <- d$status == 2
fit <- survreg(Surv(time, event) ~ age + ph.ecog, d, dist = "weibull")
by <- function(t) psurvreg(t, mean = predict(fit, d, type = "lp"), scale = fit$scale,
                           distribution = "weibull")
# Events before censoring at the same time: event times are moved forward by less than a day.
moved <- d$time - ifelse(d$event, 0.25, 0)
G <- survfit(Surv(moved, !d$event) ~ 1)
at <- function(t) summary(G, times = t, extend = TRUE)$surv
before <- function(t) sapply(t, function(x) at(x - 0.5))
score <- function(t) {
  p <- by(t)
  w <- ifelse(d$time > t, 1 / at(t), ifelse(d$event, 1 / before(d$time), 0))
  mean(w * ((d$time <= t & d$event) - p)^2)
}
times <- c(100, 200, 310, 500, 700)
rows <- data.frame(time = d$time, event = as.integer(d$event), sapply(times, by))
names(rows)[-(1:2)] <- paste0("p", times)
rows[-(1:2)] <- lapply(rows[-(1:2)], signif, 15)
write.csv(rows, "lung.csv", row.names = FALSE, quote = FALSE)
cells <- sprintf('  "p%d": %s', times, formatC(sapply(times, score), digits = 15, format = "g"))
writeLines(c("{", paste(cells, collapse = ",\n"), "}"), "expected.json")
