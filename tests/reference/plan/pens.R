# Power with pens of birds on straight lines, by simulation with R's lme4 and lmerTest:
# Rscript pens.R > pens.json (in this folder). Two groups, four pens of six birds, weighed at 7,
# 14, 21 and 28 d; birds' intercepts differ by 8, weighings err by 5, and each pen has a share
# of its group's intercept with an SD of 8 %.
suppressMessages(library(lmerTest))
set.seed(20261130)
studies <- 600
mean_a <- c(a = 50, b = 39)
d <- expand.grid(age_d = c(7, 14, 21, 28), bird = 1:6, pen = 1:4, group = c("a", "b"))
d$pen <- paste0(d$group, d$pen)
d$bird <- paste0(d$pen, "-", d$bird)
effect <- function(of, sd) {
  names <- unique(of)
  setNames(rnorm(length(names)), names)[of] * sd
}
one <- function(study) {
  a <- mean_a[as.character(d$group)]
  d$value <- a + 9 * d$age_d + effect(d$pen, 0.08 * a) + effect(d$bird, 8) + rnorm(nrow(d), 0, 5)
  fit <- suppressMessages(lmer(value ~ 0 + group + group:age_d + (1 | pen) + (1 | bird), d))
  row <- contest1D(fit, c(1, -1, 0, 0))
  half <- qt(0.975, row$df) * row$`Std. Error`
  c(row$Estimate, row$`Std. Error`, row$`Pr(>|t|)` < 0.05, abs(row$Estimate - 11) < half)
}
all <- sapply(seq_len(studies), one)
cat(sprintf('{"versions": "%s, lme4 %s, lmerTest %s", "studies": %d, "sd": %.6g, "mean_se": %.6g, "power": %.6g, "coverage": %.6g}\n',
  R.version.string, packageVersion("lme4"), packageVersion("lmerTest"), studies,
  sd(all[1, ]), sqrt(mean(all[2, ]^2)), mean(all[3, ]), mean(all[4, ])))
