# Times R's nlme on the birds of benches/mixed.rs, where R and nlme are installed.
# cargo bench --bench mixed -- --write birds.csv && Rscript benches/compare_mixed.R birds.csv
suppressMessages(library(nlme))
all <- read.csv(commandArgs(TRUE)[1])
for (count in c(50, 500)) {
  d <- all[all$bird < count, ]
  d$bird <- factor(d$bird)
  seconds <- system.time(m <- nlme(weight_g ~ A * exp(-exp(-k * (age_d - ti))),
    data = d, fixed = A + k + ti ~ 1, random = pdDiag(A + k + ti ~ 1), groups = ~bird,
    start = c(A = 2000, k = 0.03, ti = 55), method = "ML"
  ))[["elapsed"]]
  cat(count, "birds:", seconds, "s, log-likelihood", format(as.numeric(logLik(m)), digits = 10), "fixed", format(fixef(m), digits = 8), "\n")
}
