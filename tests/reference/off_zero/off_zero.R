# Birds' own lines where the variance of their slopes is estimated as zero, by whole matrices in
# R: Rscript off_zero.R > expected.json (in this folder).
#
# The restricted likelihood of birds on lines with independent effects on a and b, fixed effects
# and sigma^2 profiled out, alone and with ln(sd_a / sigma) + ln(sd_b / sigma) added: gamma
# priors of shape 2 and rate 0 of the SDs over sigma (Chung et al. 2013, Psychometrika 78:685;
# cov.prior = gamma(shape = 2, rate = 0, common.scale = TRUE, posterior.scale = "sd") of blme).
d <- read.csv("../pens/line.csv")
# One bird of each pen: the restricted likelihood of the variance of b is greatest at zero.
d <- d[endsWith(d$bird, "-2"), ]
X <- model.matrix(~ 0 + group + group:age_d, d)
Z <- model.matrix(~ 0 + bird, d)
Za <- Z
Zb <- Z * d$age_d
n <- nrow(d)
p <- ncol(X)
parts <- function(theta) {
  V <- diag(n) + theta[1]^2 * tcrossprod(Za) + theta[2]^2 * tcrossprod(Zb)
  W <- solve(V)
  C <- solve(t(X) %*% W %*% X)
  beta <- C %*% t(X) %*% W %*% d$value
  r <- d$value - X %*% beta
  s2 <- c(t(r) %*% W %*% r) / (n - p)
  reml <- -0.5 * ((n - p) * (1 + log(2 * pi * s2)) + c(determinant(V)$modulus) - c(determinant(C)$modulus))
  list(W = W, C = C, beta = beta, r = r, s2 = s2, reml = reml)
}
best <- function(prior) {
  value <- function(x) parts(exp(x))$reml + prior * sum(x)
  found <- optim(c(0, -3), value, control = list(fnscale = -1, reltol = 1e-14, maxit = 5000))
  found <- optim(found$par, value, control = list(fnscale = -1, reltol = 1e-15, maxit = 5000))
  theta <- exp(found$par)
  one <- parts(theta)
  a <- theta[1]^2 * t(Za) %*% one$W %*% one$r
  b <- theta[2]^2 * t(Zb) %*% one$W %*% one$r
  list(theta = theta, sigma = sqrt(one$s2), beta = one$beta, a = a, b = b, reml = one$reml)
}
free <- best(0)
prior <- best(1)
group <- sub("[0-9].*", "", sub("^bird", "", colnames(Z)))
at <- ifelse(group == "a", 1, 2)
numbers <- function(x) paste(sprintf("%.10g", x), collapse = ", ")
cat(sprintf('{"R": "%s", "sd_over_sigma_reml": [%s], "sd_over_sigma": [%s], "sigma": %.10g,\n"birds": [%s],\n"a": [%s],\n"b": [%s]}\n',
  R.version.string, numbers(free$theta), numbers(prior$theta), prior$sigma,
  paste0('"', sub("^bird", "", colnames(Z)), '"', collapse = ", "),
  numbers(prior$beta[at] + prior$a), numbers(prior$beta[2 + at] + prior$b)))
