# Eight pens, two treatments from 70 d on, log weights of pens: what treatment_start.rs estimates,
# by mixed models.
library(nlme); library(lme4); library(pbkrtest)
set.seed(70)
ages <- seq(28, 126, by = 7)
pens <- data.frame(pen = paste("pen", 1:8), treatment = rep(c("control", "lean"), each = 4))
d <- merge(pens, data.frame(age = ages)); d <- d[order(d$pen, d$age), ]
level <- rnorm(8, 0, 0.03); slope <- rnorm(8, 0, 0.004)
i <- match(d$pen, pens$pen)
d$x <- pmax(d$age - 70, 0) / 7
d$weight <- round(exp(log(1500) - exp(-0.03 * (d$age - 45)) + level[i] + slope[i] * d$x -
  0.006 * d$x * (d$treatment == "lean") + rnorm(nrow(d), 0, 0.006)), 2)
write.csv(data.frame(bird = d$pen, pen = d$pen, treatment = d$treatment, age_d = d$age, weight_g = d$weight),
  "weighings.csv", row.names = FALSE, quote = FALSE)
d$y <- log(d$weight); d$lean <- as.numeric(d$treatment == "lean")
# weight at allocation: at 28 d
base <- d[d$age == 28, c("pen", "y")]; names(base)[2] <- "base"; d <- merge(d, base); d <- d[order(d$pen, d$age), ]
out <- list()
for (kind in c("rate", "level")) {
  d$z <- if (kind == "rate") d$x else as.numeric(d$age > 70)
  f <- lme(y ~ factor(age) + lean + lean:z, random = list(pen = pdSymm(~ 1 + z)), data = d, method = "REML",
    control = lmeControl(opt = "optim", maxIter = 500, msMaxIter = 500))
  t <- summary(f)$tTable["lean:z", ]
  g <- lmer(y ~ factor(age) + lean + lean:z + (1 + z | pen), data = d)
  kr <- Lb_ddf(as.numeric(names(fixef(g)) == "lean:z"), vcov(g), vcovAdj(g))
  # summary measures with the covariate
  s <- sapply(split(d, d$pen), function(p) coef(lm(p$y - ave(d$y, d$age)[d$pen == p$pen[1]] ~ p$z))[2])
  a <- lm(s ~ lean + base, data = merge(pens, base)[, ] |> transform(lean = as.numeric(treatment == "lean")))
  cat(kind, "lme", format(100 * t["Value"], digits = 9), format(100 * t["Std.Error"], digits = 9),
    "lmer KR df", format(kr, digits = 6), "VarCorr", format(as.numeric(VarCorr(f)[2, 2]), digits = 4),
    "\n  ancova", format(100 * coef(a)["lean"], digits = 9), format(100 * summary(a)$coefficients["lean", 2], digits = 9), "\n")
}
sessionInfo()$R.version$version.string; packageVersion("nlme"); packageVersion("pbkrtest")
