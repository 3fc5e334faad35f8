# The likelihood of first eggs given the posterior of the birds' terms, and its maximum,
# written down a second time. `Rscript likelihood.R > likelihood.json`
set.seed(20)
n <- 40
group <- rep(0:1, each = 20)
offset <- c(120, 115)[group + 1]
# Covariances of the deviations given the weighings, different from bird to bird.
covariance <- lapply(1:n, function(i) {
  s <- runif(2, 0.5, 1.5) * c(2, 0.05)
  r <- runif(1, -0.6, 0.6)
  round(matrix(c(s[1]^2, r * s[1] * s[2], r * s[1] * s[2], s[2]^2), 2), 6)
})
true <- cbind(rnorm(n, 0, 4), rnorm(n, 0, 0.1))
deviations <- round(t(sapply(1:n, function(i)
  true[i, ] + t(chol(covariance[[i]])) %*% rnorm(2))), 6)
egg <- round(offset + c(17, 15)[group + 1] + true[, 1] - 15 * true[, 2] + rnorm(n, 0, 2.5) +
  ifelse(runif(n) < 0.1, runif(n, 20, 50), 0), 1)
kind <- c("exact", "after", "between", "before")[c(1, 1, 1, 1, 1, 1, 3, 1, 2, 4)][(seq_len(n) - 1) %% 10 + 1]
lower <- ifelse(kind == "exact", egg, ifelse(kind == "after", egg - 6, ifelse(kind == "between", 7 * floor(egg / 7), 0)))
upper <- ifelse(kind == "exact", egg, ifelse(kind == "between", lower + 7, ifelse(kind == "before", egg + 4, Inf)))
spreads <- sqrt(c(mean(deviations[, 1]^2 + sapply(covariance, function(v) v[1, 1])),
                  mean(deviations[, 2]^2 + sapply(covariance, function(v) v[2, 2]))))

v11 <- sapply(covariance, function(v) v[1, 1])
v12 <- sapply(covariance, function(v) v[1, 2])
v22 <- sapply(covariance, function(v) v[2, 2])

# terms: lag of each group, effect of each term per SD, ln sigma, logit share, ln delay.
loglik <- function(terms) {
  slopes <- c(1, 0) + terms[3:4] / spreads
  sigma <- exp(terms[5]); share <- plogis(terms[6]); delay <- exp(terms[7])
  mean <- offset + terms[group + 1] + deviations %*% slopes
  sd <- sqrt(sigma^2 + slopes[1]^2 * v11 + 2 * slopes[1] * slopes[2] * v12 + slopes[2]^2 * v22)
  late <- sqrt(sd^2 + (delay / 3)^2)
  f <- function(t) (1 - share) * dnorm(t, mean, sd) + share * dnorm(t, mean + delay, late)
  S <- function(t) (1 - share) * pnorm(t, mean, sd, lower.tail = FALSE) +
    share * pnorm(t, mean + delay, late, lower.tail = FALSE)
  p <- ifelse(kind == "exact", f(egg), ifelse(kind == "before", 1 - S(upper),
    ifelse(kind == "after", S(lower), S(lower) - S(upper))))
  sum(log(p))
}
points <- list(c(17, 15, 0, -1.5, log(2.5), qlogis(0.1), log(35)),
               c(14, 19, 2, 1, log(5), qlogis(0.3), log(12)),
               c(16, 16, -4, 0, log(3), qlogis(0.02), log(25)))
width <- 1.4
# lag, shift of each group, effects, ln sigma, logit share, ln delay.
posterior <- function(q) {
  loglik(c(q[1] + q[2], q[1] + q[3], q[4:8])) + sum(dnorm(q[2:3], 0, 3, log = TRUE)) +
    sum(dnorm(q[4:5], 0, width, log = TRUE)) + dnorm(q[6], 1.1, 1, log = TRUE) +
    dnorm(q[7], -2.5, 1.2, log = TRUE) + dnorm(q[8], 3.2, 0.5, log = TRUE)
}
# A random walk through the posterior, the five widths alike likely beforehand.
widths <- c(0.35, 0.7, 1.4, 2.8, 5.6)
steps <- 220000
q <- c(16, 0, 0, 0, -1, 1, -2.5, 3.2); at <- 3; width <- widths[at]
here <- posterior(q)
kept <- matrix(0, steps, 8); which <- integer(steps)
scale <- c(0.8, 0.8, 0.8, 0.4, 0.4, 0.15, 0.5, 0.25) * 0.7
for (i in 1:steps) {
  there <- q + scale * rnorm(8)
  value <- posterior(there)
  if (is.finite(value) && log(runif(1)) < value - here) { q <- there; here <- value }
  other <- at + sample(c(-1, 1), 1)
  if (other %in% 1:5) {
    effect <- function(w) sum(dnorm(q[4:5], 0, w, log = TRUE))
    if (log(runif(1)) < effect(widths[other]) - effect(widths[at])) {
      here <- here - effect(widths[at]) + effect(widths[other])
      at <- other; width <- widths[at]
    }
  }
  kept[i, ] <- q; which[i] <- at
}
kept <- kept[-(1:20000), ]; which <- which[-(1:20000)]
terms <- cbind(kept[, 1] + kept[, 2], kept[, 1] + kept[, 3], kept[, 4:8])
batches <- rep(1:20, each = nrow(terms) / 20)
error <- apply(terms, 2, function(x) sd(tapply(x, batches, mean)) / sqrt(20))
num <- function(x) paste0("[", paste(formatC(x, digits = 12, format = "g"), collapse = ", "), "]")
limit <- function(x) ifelse(is.finite(x), formatC(x, digits = 12, format = "g"), "null")
cat("{\n")
cat('"r": "', R.version.string, '",\n', sep = "")
cat('"group": ', num(group), ',\n"offset": ', num(offset), ',\n', sep = "")
cat('"deviations": ', num(t(deviations)), ',\n', sep = "")
cat('"covariance": ', num(unlist(covariance)), ',\n', sep = "")
cat('"kind": [', paste0('"', kind, '"', collapse = ", "), '],\n', sep = "")
cat('"lower": ', num(lower), ',\n"upper": [', paste(limit(upper), collapse = ", "), '],\n', sep = "")
cat('"spreads": ', num(spreads), ',\n', sep = "")
cat('"points": [', paste(sapply(points, num), collapse = ", "), '],\n', sep = "")
cat('"log_likelihood": ', num(sapply(points, loglik)), ',\n', sep = "")
cat('"posterior_mean": ', num(colMeans(terms)), ',\n', sep = "")
cat('"posterior_sd": ', num(apply(terms, 2, sd)), ',\n', sep = "")
cat('"monte_carlo_error": ', num(error), ',\n', sep = "")
cat('"width_weights": ', num(tabulate(which, 5) / length(which)), '\n}\n', sep = "")
