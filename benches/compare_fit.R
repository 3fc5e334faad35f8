# R's nls on the birds of benches/fit.rs's kind: microseconds a fit.
# usage: Rscript compare_fit.R BIRDS.csv   (bird, age_d, weight_g)
# Self-starting gompertz and logistic of package stats, as a user would call them.
birds <- split(read.csv(commandArgs(TRUE)[1]), ~bird)
for (name in c("gompertz", "logistic")) {
  form <- if (name == "gompertz") weight_g ~ SSgompertz(age_d, A, b2, b3) else weight_g ~ SSlogis(age_d, A, ti, s)
  failed <- 0
  began <- proc.time()[["user.self"]]
  for (bird in birds) if (inherits(try(nls(form, bird), silent = TRUE), "try-error")) failed <- failed + 1
  took <- (proc.time()[["user.self"]] - began) / length(birds)
  cat("R nls", name, length(birds), sprintf("%.1f", 1e6 * took), failed, sep = "\t")
  cat("\n")
}
