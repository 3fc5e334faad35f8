# One effect of a pen on both terms of a line, by R: Rscript common.R > common.json (in this folder).
suppressMessages(library(lme4))
d <- read.csv("line_unequal.csv")
# An amount u added to a and to b adds u (1 + age).
d$z <- 1 + d$age_d
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e6), check.conv.singular = "ignore")
one <- function(reml) {
  fit <- lmer(value ~ 0 + group + group:age_d + (0 + z | pen) + (1 | bird) + (0 + age_d | bird), d, REML = reml, control = tight)
  sds <- as.data.frame(VarCorr(fit))
  of <- function(grp, var) sds$sdcor[sds$grp %in% grp & sds$var1 %in% var]
  errors <- sqrt(diag(as.matrix(vcov(fit))))
  sprintf('{"log_lik": %.12g, "fixed": [%s], "errors": [%s], "pen_sd": %.12g, "sigma": %.12g}',
    as.numeric(logLik(fit)), paste(sprintf("%.12g", fixef(fit)), collapse = ", "),
    paste(sprintf("%.12g", errors), collapse = ", "), of("pen", "z"), sigma(fit))
}
cat(sprintf('{"ML": %s,\n "REML": %s}\n', one(FALSE), one(TRUE)))
