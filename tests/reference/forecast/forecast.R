# Best linear unbiased predictors and their mean squared errors, for forecasts of new and
# of fitted subjects. Run in this folder: Rscript forecast.R
library(nlme)

json <- function(x) {
  if (is.list(x)) {
    parts <- mapply(function(n, v) sprintf("\"%s\": %s", n, json(v)), names(x), x)
    paste0("{", paste(parts, collapse = ",\n"), "}")
  } else if (length(x) == 1 && is.null(dim(x))) sprintf("%.15g", x)
  else paste0("[", paste(sprintf("%.15g", as.numeric(t(x))), collapse = ", "), "]")
}

data <- as.data.frame(Orthodont)
data <- data[order(as.character(data$Subject), data$age), ]
names <- unique(as.character(data$Subject))
write.csv(data.frame(subject = data$Subject, age_d = data$age, value = data$distance),
          "orthodont.csv", row.names = FALSE, quote = FALSE)

# a + b age, both with correlated random effects.
model <- lme(distance ~ age, random = ~ age | Subject, data = data, method = "ML",
             control = lmeControl(msTol = 1e-12, tolerance = 1e-12, returnObject = TRUE))
beta <- fixef(model)
G <- unclass(getVarCov(model))[1:2, 1:2]
s2 <- sigma(model)^2
phi <- 0.8

# V of one subject's observations at these ages, with or without residual correlation.
residual <- function(ages, others, phi)
  if (is.null(phi)) s2 * outer(ages, others, "==") else s2 * phi^abs(outer(ages, others, "-"))
Cov_beta <- function(phi) {
  information <- matrix(0, 2, 2)
  for (n in names) {
    ages <- data$age[data$Subject == n]; X <- cbind(1, ages)
    V <- X %*% G %*% t(X) + residual(ages, ages, phi)
    information <- information + t(X) %*% solve(V) %*% X
  }
  solve(information)
}
# A new observation at age0 of a subject known by `ages` and `y`: kriging form, with the
# covariance of the new with the known, not by way of the random effects.
forecast <- function(ages, y, age0, phi, C) {
  X <- cbind(1, ages); x0 <- c(1, age0)
  V <- X %*% G %*% t(X) + residual(ages, ages, phi)
  c0 <- as.vector(t(x0) %*% G %*% t(X)) + as.vector(residual(age0, ages, phi))
  w <- solve(V, c0)
  d <- x0 - as.vector(t(X) %*% w)
  c(sum(x0 * beta) + sum(w * (y - X %*% beta)),
    sqrt(drop(t(x0) %*% G %*% x0 + s2 - sum(c0 * w) + t(d) %*% C %*% d)))
}
one <- function(kept, age0, phi) {
  C <- Cov_beta(phi)
  t(sapply(names, function(n) {
    own <- data[data$Subject == n, ][1:kept, ]
    forecast(own$age, own$distance, age0, phi, C)
  }))
}

# Henderson's mixed model equations over all subjects: errors of the expected value at age
# 16, and of the mean over the first ten subjects.
X <- cbind(1, data$age)
Z <- matrix(0, nrow(data), 2 * length(names))
for (i in seq_along(names)) {
  rows <- data$Subject == names[i]
  Z[rows, 2 * i - 1] <- 1
  Z[rows, 2 * i] <- data$age[rows]
}
W <- cbind(X, Z)
E <- t(W) %*% W / s2
random <- 3:ncol(W)
E[random, random] <- E[random, random] + kronecker(diag(length(names)), solve(G))
C <- solve(E)
solution <- C %*% (t(W) %*% data$distance) / s2
row_of <- function(i) { k <- numeric(ncol(W)); k[1:2] <- c(1, 16); k[2 * i + 1:2] <- c(1, 16); k }
each <- t(sapply(seq_along(names), function(i) {
  k <- row_of(i); c(sum(k * solution), sqrt(drop(t(k) %*% C %*% k)))
}))
k <- rowMeans(sapply(1:10, row_of))
mean10 <- c(sum(k * solution), sqrt(drop(t(k) %*% C %*% k)), sqrt(drop(t(k) %*% C %*% k) + s2 / 10))
blup <- predict(model, newdata = data.frame(age = 16, Subject = factor(names)), level = 1)
stopifnot(max(abs(each[, 1] - blup)) < 1e-6)

writeLines(json(list(
  beta = beta, beta_covariance = Cov_beta(NULL), beta_covariance_ar1 = Cov_beta(phi),
  random_covariance = G, sigma = sqrt(s2), phi = phi,
  subjects = length(names), observations = nrow(data),
  two_known_at_14 = one(2, 14, NULL), one_known_at_14 = one(1, 14, NULL),
  three_known_at_14_ar1 = one(3, 14, phi),
  henderson_at_16 = each, henderson_mean_of_ten_at_16 = mean10,
  nlme_predict_at_16 = as.numeric(blup))), "expected.json")
