# Peak flow by a large and a mini meter (first readings), Bland and Altman 1986, Lancet 1:307-310.
large <- c(494,395,516,434,476,557,413,442,650,433,417,656,267,478,178,423,427)
mini  <- c(512,430,520,428,500,600,364,380,658,445,432,626,260,477,259,350,451)
write.csv(data.frame(bird = paste0("s", 1:17), fat_scan = mini, fat_chem = large), "peak_flow.csv", row.names = FALSE, quote = FALSE)
d <- mini - large; n <- length(d)
ci <- t.test(d)$conf.int
sl <- sd(d) * sqrt(1/n + 1.96^2/(2*(n-1))); t <- qt(.975, n-1)
m <- lm(large ~ mini); X <- model.matrix(m); A <- solve(crossprod(X)); H <- X %*% A %*% t(X)
e <- resid(m); h <- diag(H); M <- diag(n) - H
hc2 <- function(c) { w <- as.vector(X %*% A %*% c); G <- sweep(M, 2, w/sqrt(1-h), "*")
  l <- eigen(crossprod(G), symmetric = TRUE, only.values = TRUE)$values
  c(sum(c*coef(m)), sqrt(sum(w^2*e^2/(1-h))), sum(l)^2/sum(l^2)) }
s <- hc2(c(0,1)); i <- hc2(c(1,0))
s2 <- function(x) mean((x-mean(x))^2)
ccc <- 2*mean((mini-mean(mini))*(large-mean(large)))/(s2(mini)+s2(large)+(mean(mini)-mean(large))^2)
p <- max(t.test(d, mu=25, alternative="less")$p.value, t.test(d, mu=-25, alternative="greater")$p.value)
chi <- function(sd, df) sd*sqrt(df/qchisq(c(.975,.025), df))
rows <- list(bias=c(mean(d), sd(d)/sqrt(n), ci),
  lower_limit_of_agreement=c(mean(d)-1.96*sd(d), sl, mean(d)-1.96*sd(d)-t*sl, mean(d)-1.96*sd(d)+t*sl),
  upper_limit_of_agreement=c(mean(d)+1.96*sd(d), sl, mean(d)+1.96*sd(d)-t*sl, mean(d)+1.96*sd(d)+t*sl),
  rmse=c(sqrt(mean(d^2)),NA,NA,NA), error_sd=c(sd(d),NA,chi(sd(d),n-1)),
  concordance=c(ccc,NA,NA,NA), calibration_in_the_large=c(-mean(d), sd(d)/sqrt(n), -ci[2], -ci[1]),
  calibration_slope=c(s[1:2], s[1]-qt(.975,s[3])*s[2], s[1]+qt(.975,s[3])*s[2]),
  calibration_intercept=c(i[1:2], i[1]-qt(.975,i[3])*i[2], i[1]+qt(.975,i[3])*i[2]),
  error_sd_about_calibration_line=c(sigma(m),NA,chi(sigma(m),n-2)), p_equivalence=c(p,NA,NA,NA))
for (r in names(rows)) cat(r, formatC(rows[[r]], digits=15, format="g"), sep=",", fill=300, file="expected.csv", append = r != "bias")

# Ridge towards the line y = x with covariance V0 and residual variance 100: the posterior mean
# by the usual formula (V0^-1 + X'X / s2)^-1 X'r / s2, for prior multiples 1 and 1e8.
V0 <- matrix(c(4, -.01, -.01, 1e-4), 2); X <- cbind(1, mini); r <- large - mini
for (g in c(1, 1e8)) {
  P <- solve(solve(g * V0) + crossprod(X) / 100)
  print(c(c(0, 1) + P %*% crossprod(X, r) / 100, sqrt(diag(P))), digits = 15)
}
# The intercept alone: shrinkage n / (n + 1 / g) with a prior variance of g x 100.
print(mean(r) * 17 / (17 + 1 / .3), digits = 15)
