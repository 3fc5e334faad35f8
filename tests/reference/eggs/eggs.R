# Invented flocks hen by hen: first eggs, and the eggs of their pens by day; the modified
# compartmental model by nls. Run: Rscript eggs.R
set.seed(1989)
flock <- function(rise) {
  eggs <- NULL; birds <- NULL
  for (pen in 1:4) {
    n <- 200
    first <- round(rnorm(n, 140 + rnorm(1, 0, 1.5), 8))
    rate <- plogis(rnorm(n, 2.8, 0.5))
    dies <- 105 + rexp(n, 0.0003)
    birds <- rbind(birds, data.frame(pen = pen, first_egg_age_d = first))
    for (day in 105:215) {
      alive <- dies > day
      u <- day - first
      after <- if (rise > 0) 1 - 0.5 * exp(-u / rise) else 1
      p <- ifelse(u < 0, 0, ifelse(u == 0, 1, rate * after * exp(-0.0006 * u)))
      eggs <- rbind(eggs, data.frame(pen = pen, age_d = day,
        eggs = sum(alive & runif(n) < p), hens = sum(alive)))
    }
  }
  list(eggs = eggs, birds = birds)
}
compartmental <- function(eggs) {
  all <- aggregate(cbind(eggs, hens) ~ age_d, eggs, sum)
  all$rate <- all$eggs / all$hens
  fit <- nls(rate ~ a * exp(-b * age_d) / (1 + exp(-c * (age_d - d))), all,
    start = list(a = 1, b = 0.0005, c = 0.2, d = 140))
  terms <- coef(fit)
  list(a = terms[["a"]], b = terms[["b"]], c = terms[["c"]], d = terms[["d"]],
    sd = pi / (terms[["c"]] * sqrt(3)))
}
as_json <- function(x) sprintf('{"a": %.10g, "b": %.10g, "c": %.10g, "d": %.10g, "sd": %.10g}', x$a, x$b, x$c, x$d, x$sd)
out <- c()
for (name in c("at_once", "rising")) {
  one <- flock(if (name == "rising") 7 else 0)
  write.csv(one$eggs, paste0(name, ".csv"), row.names = FALSE, quote = FALSE)
  pens <- aggregate(first_egg_age_d ~ pen, one$birds, function(x) c(mean(x), sd(x), median(x)))
  p <- pens$first_egg_age_d
  fit <- compartmental(one$eggs)
  list_of <- function(x) paste(sprintf("%.10g", x), collapse = ", ")
  out <- c(out, sprintf('"%s": {"compartmental": %s, "pen_mean": [%s], "pen_sd": [%s], "pen_median": [%s]}',
    name, as_json(fit), list_of(p[, 1]), list_of(p[, 2]), list_of(p[, 3])))
}
# Birds that come under observation late: survfit with entries.
library(survival)
n <- 60
age <- rnorm(n, 140, 8); entry <- ifelse(runif(n) < 0.5, 0, round(runif(n, 125, 150), 1))
seen <- age > entry
age <- round(age[seen], 1); entry <- entry[seen]
end <- pmin(age, 152); laid <- age <= 152
keep <- end > entry
end <- end[keep]; laid <- laid[keep]; entry <- entry[keep]
fit <- survfit(Surv(entry, end, laid) ~ 1)
at <- fit$n.event > 0
q <- quantile(fit, 0.5)
l <- function(x, f = "%.12g") paste(sprintf(f, x), collapse = ", ")
out <- c(out, sprintf('"entered": {"entry": [%s], "time": [%s], "laid": [%s], "step_time": [%s], "at_risk": [%s], "survival": [%s], "std_err": [%s], "median": [%s, %s, %s]}',
  l(entry), l(end), l(as.integer(laid)), l(fit$time[at]), l(fit$n.risk[at]), l(fit$surv[at]), l(fit$surv[at] * fit$std.err[at]),
  l(unname(q$quantile)), l(unname(q$lower)), l(unname(q$upper))))
out <- c(out, sprintf('"R": "%s", "survival": "%s"', getRversion(), packageVersion("survival")))
writeLines(paste0("{\n  ", paste(out, collapse = ",\n  "), "\n}"), "expected.json")
