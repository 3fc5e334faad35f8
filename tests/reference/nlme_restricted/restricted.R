# Restricted likelihood by R's nlme: Rscript restricted.R > expected.json (in this folder).
#
# Alternation by hand: the logistic is linearised at fixed effects and modes, R's lme
# maximises the restricted likelihood of the linear mixed model, its fixed effects and
# modes (a share of the way to them, where the iteration swings) are the next point, until
# nothing moves. It begins at nlme's own REML answer, which stands beside it.
suppressMessages(library(nlme))
tight <- lmeControl(tolerance = 1e-12, msTol = 1e-13, msMaxIter = 500, opt = "nlminb")
alternate <- function(d, random, begin, share) {
  beta <- as.numeric(fixef(begin))
  b <- matrix(0, length(unique(d$subject)), 3, dimnames = list(unique(d$subject), NULL))
  b[, random] <- as.matrix(ranef(begin))[rownames(b), ]
  for (round in 1:500) {
    phi <- sweep(b[as.character(d$subject), ], 2, beta, "+")
    g <- 1 / (1 + exp(-phi[, 2] * (d$age_d - phi[, 3])))
    slope <- phi[, 1] * g * (1 - g)
    J <- cbind(g, slope * (d$age_d - phi[, 3]), -slope * phi[, 2])
    w <- d$value - phi[, 1] * g + rowSums(J * phi)
    l <- data.frame(w = w, J1 = J[, 1], J2 = J[, 2], J3 = J[, 3], subject = factor(d$subject, levels = unique(d$subject)))
    z <- if (length(random) == 1) ~ J1 - 1 else ~ J1 + J3 - 1
    m <- lme(w ~ J1 + J2 + J3 - 1, random = list(subject = pdDiag(z)), data = l, method = "REML", control = tight)
    moved <- max(abs(fixef(m) - beta) / sqrt(diag(vcov(m))))
    beta <- (1 - share) * beta + share * as.numeric(fixef(m))
    b[, random] <- (1 - share) * b[, random] + share * as.matrix(ranef(m))[rownames(b), ]
    if (moved < 1e-9) break
  }
  list(m = m, rounds = round, moved = moved)
}
show <- function(name, a, theirs) {
  m <- a$m
  sds <- sqrt(diag(as.matrix(m$modelStruct$reStruct[[1]]))) * m$sigma
  line <- function(x) paste(sprintf("%.15g", x), collapse = ", ")
  cat(sprintf(
    '"%s": {"logLik": %.15g, "fixed": [%s], "fixed_se": [%s], "random_sd": [%s], "sigma": %.15g, "last_change_in_standard_errors": %.3g, "nlme": {"logLik": %.15g, "fixed": [%s]}}',
    name, as.numeric(logLik(m)), line(fixef(m)), line(sqrt(diag(m$varFix))), line(sds), m$sigma,
    a$moved, as.numeric(logLik(theirs)), line(fixef(theirs))
  ))
}
logistic <- value ~ A / (1 + exp(-k * (age_d - ti)))
cat("{\n")
orange <- read.csv("../nlme_examples/orange.csv")
names(orange) <- c("subject", "age_d", "value")
theirs <- nlme(logistic,
  data = orange, fixed = A + k + ti ~ 1, random = A ~ 1, groups = ~subject,
  start = c(A = 192, k = 1 / 348, ti = 727), method = "REML"
)
show("orange_A", alternate(orange, 1, theirs, 1), theirs)
cat(",\n")
chicks <- read.csv("../chickweight_mixed/chickweight.csv")
chicks <- chicks[chicks$diet %in% c(1, 3), ]
chicks <- chicks[chicks$bird %in% names(which(table(chicks$bird) >= 8)), ]
chicks <- data.frame(subject = chicks$bird, age_d = chicks$age_d, value = chicks$weight_g)
theirs <- nlme(logistic,
  data = chicks, fixed = A + k + ti ~ 1, random = pdDiag(A + ti ~ 1), groups = ~subject,
  start = c(A = 300, k = 0.15, ti = 13), method = "REML"
)
show("chicks_A_ti", alternate(chicks, c(1, 3), theirs, 0.4), theirs)
cat(sprintf(',\n"versions": "R %s, nlme %s"\n}\n', getRversion(), packageVersion("nlme")))
