# Linear mixed models with a level and a slope of each laboratory: lme4, lmerTest, pbkrtest.
# Rscript laboratories.R, in this folder; writes sleepstudy.csv, laboratories.csv, expected.json.
suppressMessages({library(lme4); library(pbkrtest); library(jsonlite)})

fit <- function(formula, data) {
  lmer(formula, data, REML = TRUE,
       control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12, maxfun = 1e6)))
}

of <- function(model) {
  adjusted <- vcovAdj(model)
  p <- length(fixef(model))
  df <- sapply(seq_len(p), function(j) { l <- rep(0, p); l[j] <- 1; Lb_ddf(l, vcov(model), adjusted) })
  list(log_lik = as.numeric(logLik(model)), fixed = unname(fixef(model)),
       adjusted_errors = unname(sqrt(diag(as.matrix(adjusted)))), df = df,
       between = unname(as.matrix(VarCorr(model)[[1]])[, ]), residual_sd = sigma(model))
}

# Belenky et al. (2003), as in lme4: 18 subjects, reaction time on days without sleep.
data(sleepstudy)
sleepstudy$centred <- sleepstudy$Days - mean(sleepstudy$Days)
write.csv(data.frame(cluster = sleepstudy$Subject, x = sleepstudy$centred, y = sleepstudy$Reaction),
          "sleepstudy.csv", row.names = FALSE, quote = FALSE)

# Seven invented laboratories of 4 to 12 birds; age is a term that they share.
set.seed(18)
birds <- c(4, 6, 8, 9, 10, 12, 12)
laboratory <- rep(LETTERS[1:7], birds)
n <- length(laboratory)
age <- round(runif(n, 28, 126)); reading <- round(20 + 1.4 * age + rnorm(n, 0, 25), 1)
level <- rnorm(7, 0, 8); slope <- rnorm(7, 0, 0.08)
place <- match(laboratory, LETTERS)
chem <- round(5 + level[place] + (0.9 + slope[place]) * reading - 0.05 * age + rnorm(n, 0, 6), 2)
invented <- data.frame(laboratory, age, fat_scan = reading, fat_chem = chem)
write.csv(invented, "laboratories.csv", row.names = FALSE, quote = FALSE)
invented$centred <- invented$fat_scan - mean(invented$fat_scan)

write_json(list(
  sleepstudy = of(fit(Reaction ~ centred + (centred | Subject), sleepstudy)),
  laboratories = of(fit(fat_chem ~ centred + age + (centred | laboratory), invented)),
  level_only = of(fit(fat_chem ~ centred + age + (1 | laboratory), invented))
), "expected.json", auto_unbox = TRUE, digits = 12, pretty = TRUE)
print(sessionInfo()$R.version$version.string); print(packageVersion("lme4")); print(packageVersion("pbkrtest"))
