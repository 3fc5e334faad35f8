# Profile intervals of fixed effects by lme4, maximum likelihood.
suppressMessages(library(lme4))
options(digits = 12)
write.csv(sleepstudy, "sleepstudy.csv", row.names = FALSE, quote = FALSE)
fit <- lmer(Reaction ~ Days + (Days | Subject), sleepstudy, REML = FALSE)
print(logLik(fit)); print(fixef(fit)); print(sqrt(diag(vcov(fit))))
print(confint(profile(fit, which = "beta_", delta = 0.1, maxpts = 1000)))
print(confint(profile(fit, which = "beta_")))

# Profile intervals of a nonlinear model: lme4's Laplace deviance of (theta, fixed effects)
# is minimised with one fixed effect held.
start <- c(Asym = 192, xmid = 727, scal = 348)
model <- circumference ~ SSlogis(age, Asym, xmid, scal) ~ Asym | Tree
orange <- as.data.frame(Orange)
fit <- do.call(nlmer, list(model, orange, start = start))
print(logLik(fit)); print(fixef(fit))
deviance_of <- do.call(nlmer, list(model, orange, start = start, devFunOnly = TRUE))
scale <- c(1, unname(start))
least <- function(held = NULL, at = NULL, from) {
  free <- setdiff(2:4, held)
  f <- function(x) {
    full <- numeric(4); full[c(1, free)] <- x; if (!is.null(held)) full[held] <- at
    full[1] <- abs(full[1])
    deviance_of(full * scale)
  }
  x <- from[c(1, free)]
  for (k in 1:6) x <- optim(x, f, control = list(reltol = 1e-15, maxit = 5000))$par
  list(value = f(x), x = x)
}
from <- c(getME(fit, "theta"), fixef(fit) / start)
best <- least(from = from)
print(best$value, digits = 12); print(best$x * scale, digits = 12)
for (held in 2:4) for (sign in c(-1, 1)) {
  drop <- function(at) least(held, at, best$x)$value - best$value - qnorm(0.975)^2
  range <- best$x[held] + sign * c(0.005, 0.35)
  limit <- uniroot(drop, sort(range), tol = 1e-9)$root
  cat(names(start)[held - 1], sign, format(limit * scale[held], digits = 12), "\n")
}
