# The model that is chosen for body weight, by R's nlme: Rscript chosen.R > expected.json (in
# this folder). Maximum likelihood; positive terms with a random effect as exp(...), the
# second inflection of two phases as ti1 + exp(...), as the project's engine has them.
suppressMessages({
  library(nlme)
  library(lme4)
})
numbers <- function(x) paste(sprintf("%.12g", x), collapse = ", ")
# Fixed effects, term by term and group by group, as the curve has them: exp(...) of those at
# `logs`, and the `above`-th as the third plus exp(...).
show <- function(name, m, sds, groups, logs, above = 0, more = "") {
  covariance <- if (inherits(m, "nlme")) m$varFix else as.matrix(vcov(m))
  eta <- matrix(if (inherits(m, "gnls")) coef(m) else fixef(m), nrow = groups)
  terms <- eta
  J <- diag(length(eta))
  for (k in logs) terms[, k] <- exp(eta[, k])
  for (at in seq_along(eta)) if (((at - 1) %/% groups + 1) %in% logs) J[at, at] <- exp(eta[at])
  if (above > 0) {
    terms[, above] <- eta[, 3] + exp(eta[, above])
    for (g in 1:groups) {
      row <- (above - 1) * groups + g
      J[row, row] <- exp(eta[row])
      J[row, 2 * groups + g] <- 1
    }
  }
  cat(sprintf(
    '"%s": {"logLik": %.12g, "fixed": [%s], "fixed_se": [%s], "random_sd": [%s], "sigma": %.12g%s}',
    name, as.numeric(logLik(m)), numbers(terms), numbers(sqrt(diag(J %*% covariance %*% t(J)))), numbers(sds), sigma(m), more
  ))
}
# nlme's alternation by hand, where nlme itself stops short or swings: the curve is linearised
# at fixed effects and modes, with residual SDs |fitted|^power of that point; lme4's lmer
# maximises the likelihood of the linear mixed model; its fixed effects and modes
# are the next point, until nothing moves. `f` gives values and gradient at eta.
alternate <- function(d, f, beta, random, power, size) {
  p <- ncol(beta)
  names <- levels(d$bird)
  b <- matrix(0, length(names), p, dimnames = list(names, NULL))
  parameters <- NULL
  for (round in 1:400) {
    eta <- beta[as.integer(d$group), ] + b[as.integer(d$bird), ]
    at <- f(d$age_d, eta)
    l <- data.frame(at$J, bird = d$bird, group = d$group, weight = abs(at$value)^(-2 * power))
    colnames(l)[1:p] <- paste0("J", 1:p)
    # In units of about an SD over sigma, for the optimiser's sake.
    for (r in seq_along(random)) l[[paste0("Z", r)]] <- at$J[, random[r]] * size[r]
    l$w <- d$value - at$value + rowSums(at$J * eta)
    formula <- as.formula(paste(
      "w ~", paste0("J", 1:p, ":group", collapse = " + "), "- 1 + (0 +", paste0("Z", seq_along(random), collapse = " + "), "| bird)"
    ))
    m <- lmer(formula, data = l, weights = weight, REML = FALSE, start = parameters,
      control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9, maxfun = 1e5), calc.derivs = FALSE, check.scaleX = "ignore"))
    parameters <- getME(m, "theta")
    next_beta <- matrix(fixef(m), ncol = p)
    moved <- max(abs(next_beta - beta) / sqrt(matrix(diag(as.matrix(vcov(m))), ncol = p)))
    beta <- next_beta
    b[, random] <- sweep(as.matrix(ranef(m)$bird)[names, ], 2, size, `*`)
    cat(round, moved, as.numeric(logLik(m)), "\n", file = stderr())
    if (moved < 1e-6) break
  }
  list(m = m, moved = moved, sds = as.data.frame(VarCorr(m))$sdcor[seq_along(random)] * size)
}
two_gompertz <- function(age, eta) {
  one <- function(A, k, ti) {
    e <- exp(-k * (age - ti))
    f <- A * exp(-e)
    list(f = f, k = f * e * (age - ti), ti = -f * e * k)
  }
  A1 <- exp(eta[, 1]); k1 <- exp(eta[, 2]); ti1 <- eta[, 3]; A2 <- exp(eta[, 4]); k2 <- eta[, 5]; gap <- exp(eta[, 6])
  a <- one(A1, k1, ti1)
  c <- one(A2, k2, ti1 + gap)
  list(value = a$f + c$f, J = cbind(a$f, a$k * k1, a$ti + c$ti, c$f, c$k, c$ti * gap))
}
cat("{\n")
orange <- read.csv("../nlme_examples/orange.csv")
m <- nlme(circumference_mm ~ exp(lA) / (1 + exp(-k * (age_d - ti))),
  data = orange, fixed = lA + k + ti ~ 1, random = lA ~ 1, groups = ~tree,
  start = c(log(190), 1 / 344, 722), method = "ML",
  control = nlmeControl(tolerance = 1e-8, pnlsTol = 1e-8, msTol = 1e-10, maxIter = 1000, msMaxIter = 500, returnObject = TRUE)
)
show("orange", m, sqrt(as.matrix(m$modelStruct$reStruct[[1]])[1]) * m$sigma, 1, 1)
cat(",\n")
chicks <- read.csv("../chickweight_mixed/chickweight.csv")
chicks <- data.frame(bird = factor(chicks$bird, levels = unique(chicks$bird)), group = factor(chicks$diet), age_d = chicks$age_d, value = chicks$weight_g)
# No term differs between birds once a bird's errors are correlated, so that this is generalised
# nonlinear least squares. From the first solution with a tolerance that gnls can meet.
begin <- c(log(c(206.6, 288.4, 503.9, 290)), log(4 * c(6.75, 10.2, 16.8, 11.7) / c(208, 290, 510, 290)), c(11.0, 13.2, 19.4, 11.9))
for (tolerance in c(1e-3, 1e-5)) {
  m <- gnls(value ~ exp(lA) / (1 + exp(-exp(lk) * (age_d - ti))),
    data = chicks, params = list(lA + lk + ti ~ group - 1), start = begin,
    correlation = corCAR1(0.9, form = ~ age_d | bird), weights = varPower(1.35),
    control = gnlsControl(maxIter = 500, nlsMaxIter = 100, tolerance = tolerance, nlsTol = tolerance, minScale = 1e-9, msTol = 1e-12, msMaxIter = 500)
  )
  begin <- coef(m)
}
# gnls multiplies the variances of maximum likelihood by n / (n - p).
share <- (nrow(chicks) - length(begin)) / nrow(chicks)
m$varBeta <- m$varBeta * share
m$sigma <- m$sigma * sqrt(share)
own <- coef(m$modelStruct, unconstrained = FALSE)
show("chicks", m, numeric(0), 4, 1:2, more = sprintf(', "power": %.12g, "correlation_a_day": %.12g', own["varStruct.power"], own["corStruct.Phi"]))
cat(",\n")
demo <- read.csv("../../../data-demo/weighings.csv")
birds <- read.csv("../../../data-demo/birds.csv")
at <- match(demo$bird, birds$bird)
demo <- data.frame(bird = demo$bird, group = birds$strain[at], age_d = as.numeric(as.Date(demo$date) - as.Date(birds$hatch_date[at])), value = demo$weight_g)
demo <- demo[order(demo$bird, demo$age_d), ]
demo$bird <- factor(demo$bird, levels = unique(demo$bird))
demo$group <- factor(demo$group)
begin <- cbind(log(c(1350, 1220, 1200)), log(c(0.0304, 0.0317, 0.0312)), c(41.7, 39.5, 39.7), log(c(410, 337, 387)), c(0.084, 0.084, 0.088), log(c(77.7, 77.7, 85.2)))
a <- alternate(demo, two_gompertz, begin, c(1, 2, 3, 4, 6), 1, c(3, 2, 85, 4.5, 2.5))
show("demo", a$m, a$sds, 3, c(1, 2, 4), 6, sprintf(', "last_change_in_standard_errors": %.3g', a$moved))
cat(sprintf(',\n"versions": "R %s, nlme %s, lme4 %s"\n}\n', getRversion(), packageVersion("nlme"), packageVersion("lme4")))
