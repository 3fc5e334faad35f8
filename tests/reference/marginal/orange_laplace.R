# Laplace approximation of the logistic of the Orange trees with one random term.
# R 4.2.2, lme4 1.1.31. Run in tests/reference/nlme_examples.
suppressMessages(library(lme4))
orange <- read.csv("orange.csv"); orange$tree <- factor(orange$tree)
start <- c(Asym = 200, xmid = 720, scal = 350)
show <- function(what, m) cat(what, "logLik", format(as.numeric(logLik(m)), digits = 14), "fixef", format(fixef(m), digits = 12),
      "sd", format(attr(VarCorr(m)$tree, "stddev"), digits = 10), "sigma", format(sigma(m), digits = 10), "\n")
show("Asym", nlmer(circumference_mm ~ SSlogis(age_d, Asym, xmid, scal) ~ Asym | tree, orange, start = start, control = nlmerControl(tolPwrss = 1e-12)))
show("xmid", nlmer(circumference_mm ~ SSlogis(age_d, Asym, xmid, scal) ~ xmid | tree, orange, start = start, control = nlmerControl(tolPwrss = 1e-12)))
